//! The connections of a session by their numbers, and what goes out on each.

use std::{collections::HashMap, sync::Arc};

use thole_host::{ConnId, Moment, Outbound, Remark, Told};
use thole_protocol::{ids::SessionId, refusal::Refusal, server_msg::Joined};
use tokio::{sync::oneshot, time::Instant};

use super::Entrance;
use crate::{Server, clock::SessionClock, forecasts, outbox::Outbox};

/// A connection that is in, or about to be.
struct Line {
    outbox: Outbox,
    /// Gets the session's clock with the welcome; `None` from then on.
    welcome: Option<oneshot::Sender<SessionClock>>,
}

/// Where what is told goes to.
pub(super) struct Lines {
    server: Arc<Server>,
    session: SessionId,
    clock: SessionClock,
    lines: HashMap<ConnId, Line>,
    /// Who waits for the answer to `join` …
    joining: HashMap<ConnId, oneshot::Sender<Result<Entrance, Refusal>>>,
    /// … and who for the coach's word.
    waiting: HashMap<ConnId, oneshot::Sender<Result<Joined, Refusal>>>,
}

impl Lines {
    pub(super) fn new(server: Arc<Server>, session: SessionId, clock: SessionClock) -> Lines {
        let (lines, joining, waiting) = (HashMap::new(), HashMap::new(), HashMap::new());
        Lines { server, session, clock, lines, joining, waiting }
    }

    /// The session's clock was set: those who are welcomed from now on go by it.
    pub(super) fn set_clock(&mut self, clock: SessionClock) {
        self.clock = clock;
    }

    /// A connection comes; it is told whether it is welcome.
    pub(super) fn comes(
        &mut self,
        conn: ConnId,
        outbox: Outbox,
        welcome: oneshot::Sender<SessionClock>,
    ) {
        self.lines.insert(conn, Line { outbox, welcome: Some(welcome) });
    }

    /// Somebody joins by code.
    pub(super) fn joins(
        &mut self,
        conn: ConnId,
        answer: oneshot::Sender<Result<Entrance, Refusal>>,
    ) {
        self.joining.insert(conn, answer);
    }

    /// A connection has ended, or waits no more.
    pub(super) fn ends(&mut self, conn: ConnId) {
        self.lines.remove(&conn);
        self.waiting.remove(&conn);
    }

    /// What one connection is told by.
    pub(super) fn outbox(&self, conn: ConnId) -> Option<&Outbox> {
        self.lines.get(&conn).map(|line| &line.outbox)
    }

    fn entrance(&mut self, conn: ConnId, entrance: Result<thole_host::Entrance, Refusal>) {
        let Some(answer) = self.joining.remove(&conn) else { return };
        let entrance = entrance.map(|entrance| match entrance {
            thole_host::Entrance::Open(joined) => Entrance::Open(joined),
            thole_host::Entrance::Asked { request, waiting } => {
                let (waits, decided) = oneshot::channel();
                self.waiting.insert(conn, waits);
                Entrance::Asked { request, waiting, decided }
            }
        });
        // Who is not there any more asks again.
        drop(answer.send(entrance));
    }
}

impl Outbound for Lines {
    fn tell(&mut self, to: ConnId, told: Told<'_>) {
        match told {
            Told::Entrance(entrance) => return self.entrance(to, entrance),
            Told::Decided(decided) => {
                if let Some(waits) = self.waiting.remove(&to) {
                    // Who has gone meanwhile hears it on asking again.
                    drop(waits.send(decided));
                }
                return;
            }
            Told::Welcome(_)
            | Told::Shared(_)
            | Told::Own(_)
            | Told::Refused(_)
            | Told::State(_)
            | Told::Missed(_)
            | Told::Close(_) => {}
        }
        let Some(line) = self.lines.get_mut(&to) else { return };
        match told {
            Told::Welcome(text) => {
                line.outbox.queue(text);
                if let Some(welcome) = line.welcome.take() {
                    // A connection that has gone meanwhile will say so itself.
                    let _ = welcome.send(self.clock);
                }
            }
            Told::Shared(text) => line.outbox.queue(text.clone()),
            Told::Own(text) => line.outbox.queue(text),
            Told::Refused(text) => {
                line.outbox.note_refusal();
                line.outbox.queue(text);
            }
            Told::State(text) => line.outbox.state(text),
            Told::Missed(texts) => line.outbox.catch_up(texts),
            Told::Close(why) => {
                line.outbox.close(why);
                // Who was never welcomed will not say that they have left.
                if line.welcome.is_some() {
                    self.lines.remove(&to);
                }
            }
            Told::Entrance(_) | Told::Decided(_) => {}
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

/// An instant of the machine's clock as a host has it, that counts from when its task began.
pub(super) fn moment(began: Instant, instant: Instant) -> Moment {
    Moment(instant.saturating_duration_since(began))
}
