//! The task that takes what sessions hand on, and from the journal what it has missed.

use std::{
    collections::BTreeMap,
    path::PathBuf,
    sync::{
        Arc, OnceLock,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

use thole_club::Handed;
use thole_protocol::ids::SessionId;
use tokio::{
    sync::{mpsc, watch},
    task::{JoinHandle, spawn_blocking},
    time::{Instant, sleep, sleep_until},
};

use super::{
    reading,
    store::{ClubError, Positions, Store},
};
use crate::{Server, journal::SessionRow, registry::Registry};

/// So many pieces may be settled in one moment. Each holds a class's results in memory; what is beyond is taken from the journal.
const QUEUE_MAX: usize = 64;
/// So often the journal is looked through for what was missed.
const LOOKS_EVERY: Duration = Duration::from_secs(3_600);
/// After a failure it is looked through again so soon: a disk that was full may have room, a file may have been mended.
const AGAIN_AFTER: Duration = Duration::from_secs(60);
/// Rest between two sessions that are read: people who row are not to notice.
const REST: Duration = Duration::from_millis(5);

/// Where sessions hand on what was settled; nothing happens to it where no club was opened.
#[derive(Debug, Default)]
pub struct Handing {
    taker: OnceLock<mpsc::Sender<(Handed, Positions)>>,
    /// Something found no room and is to be taken from the journal.
    is_behind: AtomicBool,
    /// How often the club has taken something.
    taken: watch::Sender<u64>,
}

impl Handing {
    /// Changes whenever the club has taken something; `None` where none takes anything.
    pub fn taken(&self) -> Option<watch::Receiver<u64>> {
        self.taker.get().map(|_| self.taken.subscribe())
    }

    /// Hands on a piece whose record is durable. Never waits.
    pub fn hand(&self, positions: Positions, handed: impl FnOnce() -> Handed) {
        let Some(taker) = self.taker.get() else { return };
        match taker.try_reserve() {
            Ok(room) => room.send((handed(), positions)),
            // The journal has it.
            Err(_) => self.is_behind.store(true, Ordering::Relaxed),
        }
    }
}

/// Begins to take, at first what was settled while nobody took it. With no store, because it could not be opened, it is tried
/// again to open one.
pub fn begin(server: &Arc<Server>, store: Option<Store>) -> JoinHandle<()> {
    let (taker, handed) = mpsc::channel(QUEUE_MAX);
    if server.club.taker.set(taker).is_err() {
        tracing::error!("the club takes results already; it is not begun twice");
    }
    let data = server.settings.data.clone();
    let taking = Taking { server: server.clone(), data, store, handed, fails: false };
    tokio::spawn(taking.run())
}

struct Taking {
    server: Arc<Server>,
    data: PathBuf,
    /// `None` until it is open.
    store: Option<Store>,
    handed: mpsc::Receiver<(Handed, Positions)>,
    /// It was said that it fails, and has not worked since.
    fails: bool,
}

impl Taking {
    async fn run(mut self) {
        let mut look = self.server.clock.instant();
        loop {
            let handed = tokio::select! {
                biased;
                handed = self.handed.recv() => handed,
                () = sleep_until(look) => None,
            };
            let has_looked = handed.is_none();
            let done = match handed {
                Some((handed, positions)) => self.take(handed, positions).await,
                None => self.catch_up().await,
            };
            let now = self.server.clock.instant();
            look = match done {
                Err(error) => self.failed(&error, now + AGAIN_AFTER, look),
                Ok(()) => {
                    self.works();
                    let is_behind = self.server.club.is_behind.swap(false, Ordering::Relaxed);
                    match (is_behind, has_looked) {
                        (true, _) => now,
                        (false, true) => now + LOOKS_EVERY,
                        (false, false) => look,
                    }
                }
            };
        }
    }

    async fn take(&mut self, handed: Handed, positions: Positions) -> Result<(), ClubError> {
        self.with(move |store| store.take(&handed, positions)).await?;
        self.server.club.taken.send_modify(|times| *times += 1);
        Ok(())
    }

    /// Looks at every session of the journal, whoever is connected.
    async fn catch_up(&mut self) -> Result<(), ClubError> {
        let journal = self.server.journal.clone();
        let unread = |error: &dyn std::fmt::Display| ClubError::Store(error.to_string());
        let epoch = journal.epoch();
        let taken = self.with(move |store| store.positions(&epoch)).await?;
        let mut failed = None;
        for row in journal.sessions().await.map_err(|error| unread(&error))? {
            // One that cannot be read keeps no other from being taken.
            if let Err(error) = self.look_at(&row, &taken).await {
                tracing::warn!(session = %row.session, %error, "the results of a session cannot be taken by the club now");
                failed = Some(error);
            }
            while let Ok((handed, positions)) = self.handed.try_recv() {
                self.take(handed, positions).await?;
            }
        }
        failed.map_or(Ok(()), Err)
    }

    async fn look_at(
        &mut self,
        row: &SessionRow,
        taken: &BTreeMap<SessionId, u64>,
    ) -> Result<(), ClubError> {
        let unread = |error: &dyn std::fmt::Display| ClubError::Store(error.to_string());
        let (server, session) = (self.server.clone(), row.session);
        let position = taken.get(&session).copied().unwrap_or(0);
        let since =
            server.journal.since(session, position).await.map_err(|error| unread(&error))?;
        // Of a session that is open what is settled is handed on by its own task.
        let is_news = since.is_settled || !server.registry.is_open(session);
        if since.next == position || !is_news && since.next > position {
            return Ok(());
        }
        let read = {
            // With the sessions that are opened for people, so that they do not wait for many of these.
            let _turn = server.opening.acquire().await;
            reading::read(&*server.journal, row).await.map_err(|error| unread(&error))?
        };
        let is_settling = read.is_settling;
        let replaced = self.with(move |store| store.replace(session, &read)).await?;
        if since.is_settled && replaced.put + replaced.removed > 0 {
            let (put, removed) = (replaced.put, replaced.removed);
            tracing::info!(%session, put, removed, "the club has taken the results of a session from the journal");
        }
        if is_settling {
            // Its own task writes the record that is missing, and hands it on.
            Registry::open(&server, row).await.map_err(|error| unread(&error))?;
        }
        sleep(REST).await;
        Ok(())
    }

    /// Asks the store on a thread that may wait for the disk; opens it first if it is not open.
    async fn with<T: Send + 'static>(
        &mut self,
        ask: impl FnOnce(&mut Store) -> Result<T, ClubError> + Send + 'static,
    ) -> Result<T, ClubError> {
        let (store, data) = (self.store.take(), self.data.clone());
        let asked = spawn_blocking(move || {
            let mut store = match store.map_or_else(|| Store::open(&data), Ok) {
                Ok(store) => store,
                Err(error) => return (None, Err(error)),
            };
            let answer = ask(&mut store);
            (Some(store), answer)
        });
        let (store, answer) = asked.await.map_err(|bug| ClubError::Store(bug.to_string()))?;
        // What has failed once may be another file now: it is opened anew.
        self.store = store.filter(|_| answer.is_ok());
        answer
    }

    /// Says so, once; when it is tried again.
    fn failed(&mut self, error: &ClubError, again: Instant, look: Instant) -> Instant {
        if !self.fails {
            tracing::error!(%error, "the club takes no results now; the journal has them, and they are taken from there as soon as it works");
        }
        self.fails = true;
        if look > self.server.clock.instant() { again.min(look) } else { again }
    }

    fn works(&mut self) {
        if std::mem::take(&mut self.fails) {
            tracing::info!("the club takes results again");
        }
    }
}
