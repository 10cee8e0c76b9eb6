//! The connections of a session by their numbers, and what goes out on each.

use std::{collections::HashMap, sync::Arc};

use thole_host::{ConnId, Delivery, Moment, Outbound, Remark};
use thole_protocol::{close::Close, ids::SessionId, refusal::Refusal, server_msg::Joined};
use tokio::{sync::oneshot, time::Instant};

use super::Admission;
use crate::{Server, clock::SessionClock, forecasts, outbox::Outbox};

/// A connection that has been let in, or is about to be.
struct Connected {
    outbox: Outbox,
    /// Gets the session's clock with the welcome; `None` from then on.
    welcome: Option<oneshot::Sender<SessionClock>>,
}

/// Where what is told goes.
pub(super) struct Connections {
    server: Arc<Server>,
    session: SessionId,
    clock: SessionClock,
    connected: HashMap<ConnId, Connected>,
    /// Those who wait for the answer to `join` …
    joining: HashMap<ConnId, oneshot::Sender<Result<Admission, Refusal>>>,
    /// … and those who wait for the coach's word.
    waiting: HashMap<ConnId, oneshot::Sender<Result<Joined, Refusal>>>,
    /// … and who for what becomes of an order.
    ordering: HashMap<ConnId, oneshot::Sender<Result<(), Refusal>>>,
}

impl Connections {
    pub(super) fn new(server: Arc<Server>, session: SessionId, clock: SessionClock) -> Connections {
        let (connected, joining, waiting) = (HashMap::new(), HashMap::new(), HashMap::new());
        let ordering = HashMap::new();
        Connections { server, session, clock, connected, joining, waiting, ordering }
    }

    /// The session's clock was set: those who are let in from now on go by it.
    pub(super) fn set_clock(&mut self, clock: SessionClock) {
        self.clock = clock;
    }

    /// A connection comes; it will be told whether it is let in.
    pub(super) fn comes(
        &mut self,
        conn: ConnId,
        outbox: Outbox,
        welcome: oneshot::Sender<SessionClock>,
    ) {
        self.connected.insert(conn, Connected { outbox, welcome: Some(welcome) });
    }

    /// Somebody joins by code.
    pub(super) fn joins(
        &mut self,
        conn: ConnId,
        answer: oneshot::Sender<Result<Admission, Refusal>>,
    ) {
        self.joining.insert(conn, answer);
    }

    /// Somebody gives an order by some way other than a connection.
    pub(super) fn orders(&mut self, asker: ConnId, answer: oneshot::Sender<Result<(), Refusal>>) {
        self.ordering.insert(asker, answer);
    }

    /// A connection has ended, or no longer waits.
    pub(super) fn ends(&mut self, conn: ConnId) {
        self.connected.remove(&conn);
        self.waiting.remove(&conn);
    }

    /// Where one connection is told things.
    pub(super) fn outbox(&self, conn: ConnId) -> Option<&Outbox> {
        self.connected.get(&conn).map(|line| &line.outbox)
    }

    /// Everybody who is in or about to be is sent away.
    pub(super) fn close_all(&self, why: Close) {
        for connected in self.connected.values() {
            connected.outbox.close(why);
        }
    }

    fn entrance(&mut self, conn: ConnId, entrance: Result<thole_host::Entrance, Refusal>) {
        let Some(answer) = self.joining.remove(&conn) else { return };
        let entrance = entrance.map(|entrance| match entrance {
            thole_host::Entrance::Open(joined) => Admission::Open(joined),
            thole_host::Entrance::Asked { request, waiting } => {
                let (waits, decided) = oneshot::channel();
                self.waiting.insert(conn, waits);
                Admission::Asked { request, waiting, decided }
            }
        });
        // Whoever is no longer there asks again.
        drop(answer.send(entrance));
    }
}

impl Outbound for Connections {
    fn tell(&mut self, to: ConnId, told: Delivery<'_>) {
        match told {
            Delivery::Entrance(entrance) => return self.entrance(to, entrance),
            Delivery::Decided(decided) => {
                if let Some(waits) = self.waiting.remove(&to) {
                    // Whoever has gone in the meantime hears it on asking again.
                    drop(waits.send(decided));
                }
                return;
            }
            Delivery::Ordered(became) => {
                if let Some(asker) = self.ordering.remove(&to) {
                    // Whoever has gone meanwhile gives it again, and it is not done twice.
                    drop(asker.send(became));
                }
                return;
            }
            Delivery::Welcome(_)
            | Delivery::Shared(_)
            | Delivery::Own(_)
            | Delivery::Refused(_)
            | Delivery::State(_)
            | Delivery::Missed(_)
            | Delivery::Close(_) => {}
        }
        let Some(line) = self.connected.get_mut(&to) else { return };
        match told {
            Delivery::Welcome(text) => {
                line.outbox.queue(text);
                if let Some(welcome) = line.welcome.take() {
                    // A connection that has gone in the meantime will say so itself.
                    let _ = welcome.send(self.clock);
                }
            }
            Delivery::Shared(text) => line.outbox.queue(text.clone()),
            Delivery::Own(text) => line.outbox.queue(text),
            Delivery::Refused(text) => {
                line.outbox.note_refusal();
                line.outbox.queue(text);
            }
            Delivery::State(text) => line.outbox.state(text),
            Delivery::Missed(texts) => line.outbox.catch_up(texts),
            Delivery::Close(why) => {
                line.outbox.close(why);
                // Those who were never let in will not say that they have left.
                if line.welcome.is_some() {
                    self.connected.remove(&to);
                }
            }
            Delivery::Entrance(_) | Delivery::Decided(_) | Delivery::Ordered(_) => {}
        }
    }

    fn remark(&mut self, remark: Remark) {
        let session = self.session;
        match remark {
            Remark::Refused(why) => self.server.metrics.refused(why),
            Remark::PieceOver { piece, stopped, results } => {
                self.server.metrics.results.inc_by(results as u64);
                tracing::info!(%session, piece = piece.0, stopped, results, "piece over");
            }
            Remark::Counted(count, width) => {
                let server = Arc::clone(&self.server);
                let note = server.forecasts.count(count, width);
                tokio::spawn(async move {
                    if let Err(error) = server.journal.keep(forecasts::NOTE, note).await {
                        server.failing(&error);
                    }
                });
            }
            Remark::SettledDiffers { piece, revision, what } => tracing::warn!(
                %session, piece = piece.0, revision, what,
                "a record of a piece is not what its strokes give; the record stands"
            ),
            Remark::LostStrokes { athlete, there, acknowledged } => tracing::error!(
                %session, %athlete, there, acknowledged,
                "the journal has lost strokes that it had acknowledged; their device sends them again"
            ),
        }
    }
}

/// An instant of the machine's clock as a host counts it: from when its task began.
pub(super) fn moment(began: Instant, instant: Instant) -> Moment {
    Moment(instant.saturating_duration_since(began))
}
