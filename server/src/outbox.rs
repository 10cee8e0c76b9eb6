//! Bounded sending: what a session has for one connection.

use std::{
    collections::VecDeque,
    future::poll_fn,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    task::{Context, Poll},
};

use futures_util::task::AtomicWaker;
use thole_protocol::close::Close;
use tokio_tungstenite::tungstenite::Utf8Bytes;

use crate::limits::EVENTS_MAX;

/// What a connection does with its outbox next.
#[derive(Debug, PartialEq, Eq)]
pub enum Next {
    /// Close, and say why.
    Close(Close),
    /// Send this.
    Say(Utf8Bytes),
}

/// What waits to be sent. Taken for moments only, never across an `.await`, and by two at most: the
/// session and the one connection.
#[derive(Debug, Default)]
struct Waiting {
    /// Events, acknowledgements, answers: queued, never dropped.
    queue: VecDeque<Utf8Bytes>,
    /// State that supersedes itself: only the newest is kept.
    state: Option<Utf8Bytes>,
    /// Set when the connection is to be closed.
    close: Option<Close>,
}

#[derive(Debug, Default)]
struct Shared {
    waiting: Mutex<Waiting>,
    connection: AtomicWaker,
}

impl Shared {
    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The connection's end: what goes out, the most urgent first.
#[derive(Debug)]
pub struct Outgoing(Arc<Shared>);

impl Outgoing {
    /// What is next; waits until there is something.
    pub async fn next(&mut self) -> Next {
        poll_fn(|context| self.poll(context)).await
    }

    fn poll(&mut self, context: &mut Context<'_>) -> Poll<Next> {
        if let Some(next) = self.take() {
            return Poll::Ready(next);
        }
        self.0.connection.register(context.waker());
        // What came before the waker was in its place woke nobody.
        self.take().map_or(Poll::Pending, Poll::Ready)
    }

    fn take(&mut self) -> Option<Next> {
        let mut waiting = self.0.waiting();
        if let Some(close) = waiting.close {
            return Some(Next::Close(close));
        }
        let text = waiting.queue.pop_front().or_else(|| waiting.state.take());
        text.map(Next::Say)
    }

    /// One more of what is queued, without waiting: whoever writes anyway takes it along.
    pub fn queued(&mut self) -> Option<Utf8Bytes> {
        self.0.waiting().queue.pop_front()
    }

    /// Why the connection is to be closed, if it is.
    #[must_use]
    pub fn closing(&self) -> Option<Close> {
        self.0.waiting().close
    }
}

/// A session's end of one connection.
#[derive(Debug)]
pub struct Outbox(Arc<Shared>);

impl Outbox {
    /// Both ends.
    #[must_use]
    pub fn new() -> (Outbox, Outgoing) {
        let shared = Arc::new(Shared::default());
        (Outbox(shared.clone()), Outgoing(shared))
    }

    /// Queues a message. A reader that has fallen too far behind is closed: it resumes and loses
    /// nothing.
    pub fn queue(&self, text: Utf8Bytes) {
        let mut waiting = self.0.waiting();
        if waiting.queue.len() < EVENTS_MAX {
            waiting.queue.push_back(text);
        } else {
            waiting.close.get_or_insert(Close::TooSlow);
        }
        drop(waiting);
        self.0.connection.wake();
    }

    /// Replaces the state that was not sent yet.
    pub fn state(&self, text: Utf8Bytes) {
        self.0.waiting().state = Some(text);
        self.0.connection.wake();
    }

    /// Closes the connection, once what is queued before has had its chance.
    pub fn close(&self, why: Close) {
        self.0.waiting().close.get_or_insert(why);
        self.0.connection.wake();
    }
}

impl Drop for Outbox {
    fn drop(&mut self) {
        // A session that forgets a connection without a word has ended by a bug: it is opened again on
        // the next hello.
        self.close(Close::Fault);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(says: &str) -> Utf8Bytes {
        says.to_owned().into()
    }

    #[tokio::test]
    async fn what_is_queued_goes_before_state_and_of_state_only_the_newest_is_left() {
        let (outbox, mut out) = Outbox::new();
        outbox.state(text("old standings"));
        outbox.state(text("standings"));
        outbox.queue(text("call"));
        outbox.queue(text("result"));
        assert_eq!(out.next().await, Next::Say(text("call")));
        assert_eq!(out.queued(), Some(text("result")));
        assert_eq!((out.queued(), out.next().await), (None, Next::Say(text("standings"))));
    }

    #[tokio::test(start_paused = true)]
    async fn who_waits_is_woken_by_whatever_comes() {
        let (outbox, mut out) = Outbox::new();
        let waits = tokio::spawn(async move { (out.next().await, out.next().await) });
        tokio::task::yield_now().await;
        outbox.state(text("standings"));
        tokio::task::yield_now().await;
        outbox.close(Close::Replaced);
        let told = waits.await.unwrap();
        assert_eq!(told, (Next::Say(text("standings")), Next::Close(Close::Replaced)));
    }

    #[tokio::test]
    async fn a_reader_who_falls_too_far_behind_is_closed_and_the_first_reason_stands() {
        let (outbox, mut out) = Outbox::new();
        for _ in 0..EVENTS_MAX {
            outbox.queue(text("event"));
        }
        assert_eq!(out.closing(), None);
        outbox.queue(text("one too many"));
        drop(outbox);
        assert_eq!(out.next().await, Next::Close(Close::TooSlow));
    }
}
