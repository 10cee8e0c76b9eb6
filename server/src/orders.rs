//! Orders that come another way than by a connection: for any session of the journal, open or closed, in memory or not.

use std::{fmt, sync::Arc};

use thole_host::{KeysOf, Said};
use thole_protocol::{
    ids::{CommandId, SessionId},
    order::{GivenBy, Order},
    refusal::Refusal,
};
use tokio::sync::oneshot;

use crate::{
    Server, connection::has_expired, journal::SessionRow, registry::Registry, secret::random_uuid,
    session::Event,
};

const FULL: &str =
    "The server's disk is full, and nothing can be saved just now: make room, then try again.";
/// A session that is just put to sleep is opened again so often: its task may end between being found and being asked.
const TRIES: usize = 3;

/// An order, and who gave it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ordered {
    /// Said twice, done once.
    pub command: CommandId,
    /// What to do.
    pub order: Order,
    /// Which coach of the club gave it.
    pub by: Option<GivenBy>,
}

/// Why an order was not carried out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotDone {
    /// The journal has no such session.
    NoSession,
    /// The session refuses it, and says why and what to do. It is refused again unless something changes.
    Refused(Refusal),
    /// Not now, whatever it is: the disk is full, the server stops, or the session takes too long to open. Whether it was
    /// carried out is not known; given again under the same command it is done once. Says why and what to do.
    Later(String),
}

impl fmt::Display for NotDone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            NotDone::NoSession => f.write_str("There is no such session on this server."),
            NotDone::Refused(refusal) => f.write_str(&refusal.says),
            NotDone::Later(says) => f.write_str(says),
        }
    }
}

impl Server {
    /// Gives an order to a session, which is opened from its journal when it is not in memory; `Ok` when the order is durable
    /// and carried out, and everybody who looks on is being told. The same command a second time is done already, and `Ok`.
    ///
    /// Who may give it is for the caller to know: nothing is asked here, and nobody need be in command. The order goes through
    /// the session's inbox like any other, so that two at once come one after the other. Dropping this future takes nothing
    /// back.
    ///
    /// ```no_run
    /// # use std::sync::Arc;
    /// # use thole_protocol::{ids::{CommandId, SessionId}, order::Order};
    /// # use thole_server::{Server, orders::{NotDone, Ordered}};
    /// # async fn close(server: Arc<Server>, session: SessionId, command: CommandId) {
    /// let ordered = Ordered { command, order: Order::CloseSession, by: None };
    /// match server.order(session, ordered).await {
    ///     Ok(()) => {}                         // 200
    ///     Err(NotDone::NoSession) => {}        // 404
    ///     Err(NotDone::Refused(refusal)) => {} // 404, 409 or 422 by `refusal.why`; `refusal.says` is for people
    ///     Err(NotDone::Later(says)) => {}      // 503, and again with the same command
    /// }
    /// # }
    /// ```
    ///
    /// # Errors
    /// Why it was not carried out.
    pub async fn order(
        self: &Arc<Self>,
        session: SessionId,
        ordered: Ordered,
    ) -> Result<(), NotDone> {
        let later = |why: &dyn fmt::Display| NotDone::Later(format!("{why}; try again."));
        if let Err(why) = self.takes_work() {
            return Err(NotDone::Later(format!("Nothing can be changed now: {why}")));
        }
        let row = self.journal.session(session).await.map_err(|error| later(&error))?;
        let Some(row) = row else { return Err(NotDone::NoSession) };
        let ordered = Box::new(ordered);
        for _ in 0..TRIES {
            let opened = Registry::open(self, &row).await.map_err(|error| later(&error))?;
            let Some(handle) = opened else {
                return Err(later(&"This session takes long to open"));
            };
            let (answer, became) = oneshot::channel();
            let order = Event::Order { asker: self.next_conn(), ordered: ordered.clone(), answer };
            if handle.inbox.send(order).await.is_err() {
                continue;
            }
            handle.urgent.notify_one();
            match became.await {
                Ok(became) => return became.map_err(NotDone::Refused),
                Err(_) if self.reads_only() => {
                    return Err(NotDone::Later(FULL.to_owned()));
                }
                Err(_) => return Err(later(&"The session has ended meanwhile")),
            }
        }
        Err(later(&"The session is just being closed from memory"))
    }

    /// Ends what keys of the club have opened that were ended, in each session whose links have not expired, first in those that are
    /// in memory. A device whose own key is still good joins again. A session that cannot be opened now is passed over, and the log
    /// says so.
    pub async fn keys_ended(self: &Arc<Self>, of: KeysOf) {
        let mut rows = match self.journal.sessions().await {
            Ok(rows) => rows,
            Err(error) => {
                tracing::error!(%error, "keys were ended, and what they have opened cannot be ended now");
                return;
            }
        };
        rows.retain(|row| !has_expired(self, row));
        rows.sort_by_key(|row| !self.registry.is_open(row.session));
        for row in &rows {
            if let Err(why) = self.turn_out(row, of).await {
                let session = row.session;
                tracing::error!(%session, why, "a key was ended, and what it has opened in a session cannot be ended now");
            }
        }
    }

    async fn turn_out(self: &Arc<Self>, row: &SessionRow, of: KeysOf) -> Result<(), String> {
        let command = CommandId(random_uuid());
        for _ in 0..TRIES {
            let opened = Registry::open(self, row).await.map_err(|error| error.to_string())?;
            let handle = opened.ok_or("it takes long to open")?;
            let said = Said::KeysEnded { asker: self.next_conn(), command, of };
            if handle.inbox.send(Event::Said(said)).await.is_ok() {
                handle.urgent.notify_one();
                return Ok(());
            }
        }
        Err("it is just being closed from memory".to_owned())
    }
}
