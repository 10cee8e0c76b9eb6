//! Bounded sending: what a session has for one connection.

use thole_protocol::close::Close;
use tokio::sync::{mpsc, watch};
use tokio_tungstenite::tungstenite::Utf8Bytes;

use crate::limits::EVENTS_MAX;

/// What goes out on a connection, in this order of urgency.
#[derive(Debug)]
pub struct Outgoing {
    /// Events, acknowledgements, answers: queued, never dropped.
    pub queue: mpsc::Receiver<Utf8Bytes>,
    /// State that supersedes itself: only the newest is kept.
    pub state: watch::Receiver<Utf8Bytes>,
    /// Set when the connection is to be closed.
    pub close: watch::Receiver<Option<Close>>,
}

/// A session's end of one connection.
#[derive(Debug)]
pub struct Outbox {
    queue: mpsc::Sender<Utf8Bytes>,
    state: watch::Sender<Utf8Bytes>,
    close: watch::Sender<Option<Close>>,
}

impl Outbox {
    /// Both ends.
    #[must_use]
    pub fn new() -> (Outbox, Outgoing) {
        let (queue, queued) = mpsc::channel(EVENTS_MAX);
        let (state, newest) = watch::channel(Utf8Bytes::default());
        let (close, closing) = watch::channel(None);
        (Outbox { queue, state, close }, Outgoing { queue: queued, state: newest, close: closing })
    }

    /// Queues a message. A reader that has fallen too far behind is closed: it resumes and loses
    /// nothing.
    pub fn queue(&self, text: Utf8Bytes) {
        if let Err(mpsc::error::TrySendError::Full(_)) = self.queue.try_send(text) {
            self.close(Close::TooSlow);
        }
    }

    /// Replaces the state that was not sent yet.
    pub fn state(&self, text: Utf8Bytes) {
        self.state.send_replace(text);
    }

    /// Closes the connection, once what is queued before has had its chance.
    pub fn close(&self, why: Close) {
        self.close.send_if_modified(|close| {
            let first = close.is_none();
            if first {
                *close = Some(why);
            }
            first
        });
    }
}
