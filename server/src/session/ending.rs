//! How the task of a session ends: by itself, or while people are connected, what each of them is told and whether they come back.

use thole_host::Batch;
use thole_protocol::{
    ServerMsg,
    close::Close,
    refusal::{Refusal, Why},
    units::Millis,
};

use super::{Event, SessionTask};
use crate::{
    journal::JournalError,
    limits::{FULL, RESTART_SPREAD_MS},
    secret,
};

impl SessionTask {
    /// Nobody has been here for a while: what still comes in is dealt with, then the task ends.
    pub(super) async fn rest(&mut self) -> Result<(), JournalError> {
        self.events.close();
        let mut batch = Batch::default();
        while let Some(event) = self.events.recv().await {
            if let Event::Hello(greeting) = event {
                greeting.outbox.close(Close::GoingAway);
            } else {
                self.take(event, &mut batch);
            }
        }
        self.commit(batch).await
    }

    /// Nobody is told of what was not durable: people still have it, and it comes in when there is room.
    pub(super) fn full(&self) -> Result<(), JournalError> {
        let refusal = Refusal { why: Why::Limit, says: FULL.to_owned() };
        self.farewell(Close::TooSlow, || ServerMsg::Refused {
            command: None,
            refusal: refusal.clone(),
        });
        Ok(())
    }

    /// This session cannot be written, and every other one can: its damage, or another writer, is its own affair.
    pub(super) fn ends_alone(&mut self, error: &JournalError) -> Result<(), JournalError> {
        let session = self.row.session;
        let why = if matches!(error, JournalError::Fenced) {
            tracing::warn!(%session, "another has taken this session; whoever is connected comes back");
            Close::GoingAway
        } else {
            tracing::error!(%session, %error, "a session cannot be written: see `thole-server check`, and copy what is whole with `thole-server salvage`");
            Close::Unreadable
        };
        self.connections.close_all(why);
        // Whoever came in the meantime is told the same, and not to try again in a moment.
        self.events.close();
        while let Ok(event) = self.events.try_recv() {
            if let Event::Hello(greeting) = event {
                greeting.outbox.close(why);
            }
        }
        Ok(())
    }

    pub(super) fn stop(&self) -> Result<(), JournalError> {
        self.farewell(Close::Restart, || {
            let after_ms = Millis(secret::random_below(RESTART_SPREAD_MS));
            ServerMsg::Restart { after_ms }
        });
        Ok(())
    }

    /// Everybody who is connected is told this, and sent away.
    fn farewell(&self, why: Close, mut says: impl FnMut() -> ServerMsg) {
        for outbox in self.host.connections().filter_map(|conn| self.connections.outbox(conn)) {
            let msg = says();
            if matches!(msg, ServerMsg::Refused { .. }) {
                outbox.note_refusal();
            }
            outbox.queue(thole_host::text(&msg));
            outbox.close(why);
        }
    }
}
