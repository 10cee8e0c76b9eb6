//! The open sessions, and nothing else: the one map that tasks share.

use std::sync::Arc;

use dashmap::DashMap;
use thole_protocol::ids::SessionId;
use tokio::sync::{Notify, OnceCell, mpsc, watch};

use crate::{
    Server,
    journal::{JournalError, SessionRow},
    session::{self, Event},
};

/// The way to the task that owns a session.
#[derive(Clone, Debug)]
pub struct Handle {
    /// Takes what is said to the session; full = wait.
    pub inbox: mpsc::Sender<Event>,
    /// Told after an order of the coach: it waits for nothing else to come.
    pub urgent: Arc<Notify>,
    /// Closed when the task has ended and the session can be opened again.
    pub ended: watch::Receiver<()>,
}

type Cell = Arc<OnceCell<Handle>>;

/// All open sessions.
#[derive(Debug, Default)]
pub struct Registry {
    open: DashMap<SessionId, Cell>,
}

impl Registry {
    /// How many sessions are open.
    #[must_use]
    pub fn len(&self) -> usize {
        self.open.len()
    }

    /// Whether no session is open.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.open.is_empty()
    }

    /// The session's task; opened from the journal when there is none.
    ///
    /// # Errors
    /// The journal cannot be read.
    pub async fn open(
        &self,
        server: &Arc<Server>,
        row: &SessionRow,
    ) -> Result<Handle, JournalError> {
        loop {
            let cell: Cell = self.open.entry(row.session).or_default().value().clone();
            let opened = cell.get_or_try_init(|| session::open(server.clone(), row.clone())).await;
            let handle = match opened {
                Ok(handle) => handle.clone(),
                Err(error) => {
                    self.forget(row.session, &cell);
                    return Err(error);
                }
            };
            if !handle.inbox.is_closed() {
                return Ok(handle);
            }
            // It is ending; only when it has ended may it be opened again: there is one writer.
            let mut ended = handle.ended.clone();
            while ended.changed().await.is_ok() {}
            self.forget(row.session, &cell);
        }
    }

    /// All that are open now.
    #[must_use]
    pub fn handles(&self) -> Vec<Handle> {
        self.open.iter().filter_map(|entry| entry.value().get().cloned()).collect()
    }

    fn forget(&self, session: SessionId, cell: &Cell) {
        self.open.remove_if(&session, |_, current| Arc::ptr_eq(current, cell));
    }

    /// The task of this session has ended.
    pub fn ended(&self, session: SessionId) {
        self.open.remove_if(&session, |_, cell| {
            cell.get().is_some_and(|handle| handle.inbox.is_closed())
        });
    }
}
