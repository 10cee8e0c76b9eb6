//! The open sessions, and nothing else: the one map that tasks share.

use std::sync::Arc;

use dashmap::DashMap;
use thole_protocol::ids::SessionId;
use tokio::{
    sync::{Notify, OnceCell, mpsc, watch},
    time::timeout,
};

use crate::{
    Server,
    journal::{JournalError, SessionRow},
    limits::OPENING_WAIT,
    session::{self, Event},
};

/// The way to the task that owns a session.
#[derive(Clone, Debug)]
pub struct Handle {
    /// Takes what is said to the session; when it is full, wait.
    pub inbox: mpsc::Sender<Event>,
    /// Notified after an order of the coach, which waits for nothing else to come.
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

    /// Whether a session has a task just now.
    #[must_use]
    pub fn is_open(&self, session: SessionId) -> bool {
        self.open.get(&session).is_some_and(|cell| cell.initialized())
    }

    /// The session's task, if it has one just now.
    #[must_use]
    pub fn handle(&self, session: SessionId) -> Option<Handle> {
        self.open.get(&session).and_then(|cell| cell.get().cloned())
    }

    /// The session's task; opened from the journal when there is none. Opening is always completed, whoever waits for
    /// it; `None` when it takes longer than anybody waits.
    ///
    /// # Errors
    /// The journal cannot be read.
    pub async fn open(
        server: &Arc<Server>,
        row: &SessionRow,
    ) -> Result<Option<Handle>, JournalError> {
        let open = server.registry.open.get(&row.session);
        let open = open.and_then(|entry| entry.value().get().cloned());
        if let Some(handle) = open.filter(|handle| !handle.inbox.is_closed()) {
            return Ok(Some(handle));
        }
        let (opens, row) = (server.clone(), row.clone());
        let opening = tokio::spawn(async move { opens.registry.opened(&opens, &row).await });
        match timeout(OPENING_WAIT, opening).await {
            Ok(Ok(opened)) => opened.map(Some),
            Ok(Err(error)) => Err(JournalError::Read(error.to_string())),
            Err(_) => Ok(None),
        }
    }

    async fn opened(&self, server: &Arc<Server>, row: &SessionRow) -> Result<Handle, JournalError> {
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
            // It is ending; only once it has ended may it be opened again: there is one writer.
            let mut ended = handle.ended.clone();
            while ended.changed().await.is_ok() {}
            self.forget(row.session, &cell);
        }
    }

    /// All sessions that are open now.
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
