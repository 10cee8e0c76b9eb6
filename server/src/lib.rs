//! The shell around the core: sockets, disk, clock. It decides nothing about rowing.

pub mod authority;
pub mod backup;
pub mod beats;
pub mod clock;
pub mod club;
pub mod comings;
pub mod config;
pub mod connection;
pub mod demo;
pub mod disk;
pub mod forecasts;
pub mod gathering;
pub mod hosts;
pub mod inner;
pub mod inspect;
pub mod journal;
pub mod limits;
pub mod line;
pub mod listener;
pub mod logs;
pub mod makers;
pub mod manual;
pub mod metrics;
pub mod open_files;
pub mod orders;
pub mod outbox;
pub mod pages;
pub mod printed;
pub mod registry;
pub mod secret;
pub mod session;
pub mod shares;

use std::{
    net::SocketAddr,
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
    time::Duration,
};

use tokio::{
    net::{TcpListener, TcpSocket},
    sync::{Notify, Semaphore, watch},
    task::JoinHandle,
    time::timeout,
};

use beats::Beats;
use clock::Clock;
use club::{Desk, Handing};
use comings::Comings;
use config::Settings;
use disk::{Disk, Room};
use forecasts::Forecasts;
use hosts::Hosts;
use journal::{Journal, JournalError};
use limits::{
    Allowance, BACKLOG, CREATED_TOO_FAST, JOIN_WAIT, NEARLY_FULL, READING, SESSIONS_FULL, STOP_MAX,
};
use makers::Makers;
use metrics::{Metrics, Now};
use registry::Registry;
use session::{ConnId, Event};
use shares::Shares;

/// What all connections and sessions of one server share.
pub struct Server {
    /// As set at the start.
    pub settings: Settings,
    /// Time, at the server's speed.
    pub clock: Clock,
    /// Where everything is durable.
    pub journal: Arc<dyn Journal>,
    /// Who may make sessions.
    pub makers: Makers,
    /// Which names it answers to.
    pub hosts: Hosts,
    /// What projects finishes.
    pub forecasts: Forecasts,
    /// The open sessions.
    pub registry: Registry,
    /// Where results of pieces are handed on.
    pub club: Handing,
    /// Where the club is asked from outside.
    pub desk: Desk,
    /// Notified when somebody is to be deleted at once.
    pub leaves: Notify,
    /// One permit, of whoever has the club's file open to erase: a server that stops waits for it.
    pub erases: Arc<Semaphore>,
    /// What each address may take.
    pub shares: Arc<Shares>,
    /// Who has come in, for the log.
    pub comings: Comings,
    /// One permit per connection.
    pub connections: Arc<Semaphore>,
    /// One permit per connection that has not said who it is.
    pub strangers: Arc<Semaphore>,
    /// One permit per request being read.
    pub reading: Arc<Semaphore>,
    /// One permit per session being recomputed.
    pub opening: Arc<Semaphore>,
    /// Keeps all connections alive.
    pub beats: Arc<Beats>,
    /// What is counted for whoever runs it.
    pub metrics: Metrics,
    joins: Mutex<Allowance>,
    creations: Mutex<Allowance>,
    next_conn: AtomicU64,
    unknown_fields: AtomicU64,
    failed: watch::Sender<Option<String>>,
    /// Why nothing can be written just now, although everything can be read.
    reads_only: watch::Sender<Option<String>>,
    stopping: watch::Sender<bool>,
}

impl Server {
    /// A server that is not listening yet: connections are handed to `connection::serve`.
    #[must_use]
    pub fn new(settings: Settings, journal: Arc<dyn Journal>) -> Server {
        let clock = Clock::new(settings.speed);
        Server::with_clock(settings, journal, clock)
    }

    /// A server that goes by this clock.
    #[must_use]
    pub fn with_clock(settings: Settings, journal: Arc<dyn Journal>, clock: Clock) -> Server {
        let now = clock.instant();
        let (limits, speed) = (&settings.limits, f64::from(clock.speed()));
        let joins = f64::from(limits.joins_per_s) * speed;
        let creations = f64::from(limits.sessions_per_min) * speed;
        Server {
            clock,
            journal,
            makers: Makers::of(&settings),
            hosts: Hosts::of(&settings, None),
            forecasts: Forecasts::default(),
            registry: Registry::default(),
            club: Handing::default(),
            desk: Desk::default(),
            leaves: Notify::new(),
            erases: Arc::new(Semaphore::new(1)),
            shares: Arc::new(Shares::new(limits, clock)),
            comings: Comings::new(clock),
            connections: Arc::new(Semaphore::new(limits.connections)),
            strangers: Arc::new(Semaphore::new(limits.strangers)),
            reading: Arc::new(Semaphore::new(READING)),
            opening: Arc::new(Semaphore::new(session::OPENING_AT_ONCE)),
            beats: Arc::new(Beats::new(clock)),
            metrics: Metrics::default(),
            joins: Mutex::new(Allowance::new(joins, joins, now)),
            creations: Mutex::new(Allowance::new(creations, creations / 60.0, now)),
            next_conn: AtomicU64::new(1),
            unknown_fields: AtomicU64::new(0),
            failed: watch::channel(None).0,
            reads_only: watch::channel(None).0,
            stopping: watch::channel(false).0,
            settings,
        }
    }

    /// A number that no connection of this process has had.
    pub fn next_conn(&self) -> ConnId {
        ConnId(self.next_conn.fetch_add(1, Ordering::Relaxed))
    }

    /// How long to wait for a turn to join; `None` when that would be too long.
    pub fn turn_to_join(&self) -> Option<Duration> {
        let mut joins = self.joins.lock().unwrap_or_else(PoisonError::into_inner);
        joins.book(self.clock.instant(), JOIN_WAIT)
    }

    /// Counts one more session that is made now.
    ///
    /// # Errors
    /// Why none may be made, and what to do.
    pub fn may_create(&self) -> Result<(), &'static str> {
        let low = self.settings.limits.disk_low;
        if Disk::of(&self.settings.data)
            .is_some_and(|disk| disk.room(low) == Room::ForThoseWhoAreHere)
        {
            return Err(NEARLY_FULL);
        }
        if self.registry.len() >= self.settings.limits.sessions {
            return Err(SESSIONS_FULL);
        }
        take(&self.creations, self.clock).then_some(()).ok_or(CREATED_TOO_FAST)
    }

    /// How many connections there are.
    #[must_use]
    pub fn connected(&self) -> usize {
        self.settings.limits.connections - self.connections.available_permits()
    }

    /// Counts fields that a client sent and this server does not know.
    pub fn count_unknown(&self, fields: u32) {
        self.unknown_fields.fetch_add(u64::from(fields), Ordering::Relaxed);
    }

    /// How many fields clients have sent that this server does not know.
    #[must_use]
    pub fn unknown_fields(&self) -> u64 {
        self.unknown_fields.load(Ordering::Relaxed)
    }

    /// What an operator measures, as OpenMetrics text.
    ///
    /// # Errors
    /// Never in practice: a text in memory takes whatever is written to it.
    pub fn measured(&self) -> Result<String, std::fmt::Error> {
        self.metrics.text(&Now {
            sessions: self.registry.len(),
            connections: self.connected(),
            connections_max: self.settings.limits.connections,
            unknown_fields: self.unknown_fields(),
            ready: self.takes_work().is_ok(),
            data: &self.settings.data,
        })
    }

    /// Whether new work is accepted.
    ///
    /// # Errors
    /// Why not, as a sentence.
    pub fn takes_work(&self) -> Result<(), String> {
        if *self.stopping.borrow() {
            return Err("the server is stopping.".to_owned());
        }
        let why = self.failed.borrow().clone().or_else(|| self.reads_only.borrow().clone());
        why.map_or(Ok(()), |why| Err(format!("{why}.")))
    }

    /// Waits until the server stops: then no further page is served on an old connection.
    pub async fn stopping(&self) {
        let mut stopping = self.stopping.subscribe();
        while !*stopping.borrow_and_update() {
            if stopping.changed().await.is_err() {
                return;
            }
        }
    }

    /// Whether nothing can be written just now.
    #[must_use]
    pub fn reads_only(&self) -> bool {
        self.reads_only.borrow().is_some()
    }

    /// The journal has not done what it was asked. Without room the server goes on read-only until there is room; after
    /// any other failure it stops.
    pub fn failing(self: &Arc<Self>, error: &JournalError) {
        if !error.is_full() {
            return self.fail(error);
        }
        let first = self.reads_only.send_if_modified(|why| {
            let first = why.is_none();
            *why = Some(error.to_string());
            first
        });
        if !first {
            return;
        }
        tracing::error!(%error, "nothing can be written: sessions end until there is room, results can be read");
        let server = self.clone();
        tokio::spawn(async move {
            for handle in server.registry.handles() {
                // A session that has just ended does not need to be told.
                let _ = handle.inbox.send(Event::Full).await;
            }
            disk::wait_for_room(server).await;
        });
    }

    /// There is room again.
    pub(crate) fn writes_again(&self) {
        let first = self.reads_only.send_if_modified(|why| why.take().is_some());
        if first {
            tracing::info!("the journal can be written again");
        }
    }

    /// The journal has failed: nothing more can be promised, so the server stops. It is not tried again; the
    /// next start replays.
    pub fn fail(&self, error: &JournalError) {
        tracing::error!(%error, "the server stops; start it again, and it goes on from what is durable");
        self.failed.send_replace(Some(error.to_string()));
    }
}

fn take(allowance: &Mutex<Allowance>, clock: Clock) -> bool {
    let mut allowance = allowance.lock().unwrap_or_else(PoisonError::into_inner);
    allowance.take(clock.instant())
}

/// A running server.
pub struct Running {
    /// Where it listens; with port 0 in the settings, the port that it got.
    pub address: SocketAddr,
    /// What its tasks share.
    pub server: Arc<Server>,
    /// Where `/metrics` and `/readyz` answer; `None` when nowhere.
    pub inner: Option<SocketAddr>,
    accepting: JoinHandle<()>,
    answering: Option<JoinHandle<()>>,
    watching: JoinHandle<()>,
}

/// Starts a server: it listens when this returns.
///
/// # Errors
/// It is not possible to listen on the address, or a certificate cannot be read; says which.
pub async fn start(settings: Settings, journal: Arc<dyn Journal>) -> Result<Running, String> {
    let listen = settings.listen;
    let (tls, certificate) = settings.tls.as_ref().map(listener::tls).transpose()?.unzip();
    let hosts = Hosts::of(&settings, certificate);
    let bound = bind(listen).map_err(|error| {
        format!("listen: cannot listen on {listen} ({error}); name another address.")
    })?;
    let address = bound.local_addr().map_err(|error| format!("listen: {error}"))?;
    let bound_inner = inner::bind(settings.inner_listen).await?;
    let forecasts = Forecasts::by(settings.projection_model.as_deref())?;
    let note = journal.kept(forecasts::NOTE).await.map_err(|error| format!("{error}."))?;
    if let Some(note) = note {
        forecasts.take_up(&note);
    }
    let server = Arc::new(Server { hosts, forecasts, ..Server::new(settings, journal) });
    let accepting = tokio::spawn(listener::accept(bound, tls, server.clone()));
    let inner = bound_inner.as_ref().and_then(|bound| bound.local_addr().ok());
    let answering = bound_inner.map(|bound| tokio::spawn(inner::accept(bound, server.clone())));
    let watching = tokio::spawn(disk::watch(server.clone()));
    Ok(Running { address, server, inner, watching, accepting, answering })
}

fn bind(listen: SocketAddr) -> std::io::Result<TcpListener> {
    let socket = if listen.is_ipv4() { TcpSocket::new_v4() } else { TcpSocket::new_v6() }?;
    // A server that comes back takes the address at once, whatever old connections still linger.
    socket.set_reuseaddr(true)?;
    socket.bind(listen)?;
    socket.listen(BACKLOG)
}

impl Running {
    /// Waits until the journal fails; returns why.
    pub async fn failed(&self) -> String {
        let mut failed = self.server.failed.subscribe();
        loop {
            if let Some(error) = failed.borrow_and_update().clone() {
                return error;
            }
            if failed.changed().await.is_err() {
                return "the server has ended".to_owned();
            }
        }
    }

    /// Stops in order: takes no more connections, makes durable what has come in, sends everybody away to
    /// come back; cut short after five seconds.
    pub async fn stop(self) {
        self.accepting.abort();
        self.watching.abort();
        self.server.stopping.send_replace(true);
        let handles = self.server.registry.handles();
        let stopped = async {
            for handle in &handles {
                // A session that has just ended does not need to be told.
                let _ = handle.inbox.send(Event::Stop).await;
            }
            for handle in handles {
                let mut ended = handle.ended;
                while ended.changed().await.is_ok() {}
            }
            let limits = &self.server.settings.limits;
            let all = u32::try_from(limits.connections).unwrap_or(u32::MAX);
            let _ = self.server.connections.acquire_many(all).await;
            if let Err(error) = self.server.journal.fold_in().await {
                tracing::warn!(%error, "what was written ahead stays beside the journal");
            }
        };
        if timeout(STOP_MAX, stopped).await.is_err() {
            tracing::warn!("stopping took too long and was cut short; nothing durable is lost");
        }
        // Last, so that whoever watches sees that it is not ready rather than gone.
        self.answering.inspect(JoinHandle::abort);
    }
}
