//! Bounded sending: what a session has for one connection.

use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, AtomicUsize, Ordering},
    },
    task::{Context, Poll, Waker},
};

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
    /// The connection, while it waits.
    connection: Option<Waker>,
}

impl Waiting {
    fn take(&mut self) -> Option<Next> {
        if let Some(close) = self.close {
            return Some(Next::Close(close));
        }
        let text = self.queue.pop_front().or_else(|| self.state.take());
        text.map(Next::Say)
    }
}

/// All that a connection and its session share, in one place of memory.
#[derive(Debug, Default)]
struct Shared {
    waiting: Mutex<Waiting>,
    /// Messages of the connection that the session has not dealt with yet.
    under_way: AtomicUsize,
    /// The connection waits for one of them.
    wants_room: AtomicBool,
}

impl Shared {
    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changes what waits, and wakes the connection if it sleeps.
    fn change(&self, change: impl FnOnce(&mut Waiting)) {
        let mut waiting = self.waiting();
        change(&mut waiting);
        let connection = waiting.connection.take();
        drop(waiting);
        if let Some(connection) = connection {
            connection.wake();
        }
    }
}

/// Something that a connection has said and its session has not dealt with; dropped when it has.
#[derive(Debug)]
pub struct Permit(Arc<Shared>);

impl Drop for Permit {
    fn drop(&mut self) {
        self.0.under_way.fetch_sub(1, Ordering::SeqCst);
        if self.0.wants_room.swap(false, Ordering::SeqCst) {
            self.0.change(|_| ());
        }
    }
}

/// The connection's end: what goes out, the most urgent first.
#[derive(Debug)]
pub struct Outgoing(Arc<Shared>);

impl Outgoing {
    /// What is next; when there is nothing yet, the task is woken as soon as there is.
    pub fn poll(&mut self, context: &Context<'_>) -> Poll<Next> {
        let mut waiting = self.0.waiting();
        if let Some(next) = waiting.take() {
            return Poll::Ready(next);
        }
        let known = waiting.connection.as_ref();
        if !known.is_some_and(|known| known.will_wake(context.waker())) {
            waiting.connection = Some(context.waker().clone());
        }
        Poll::Pending
    }

    /// One more of what is queued, without waiting: whoever writes anyway takes it along.
    pub fn queued(&mut self) -> Option<Utf8Bytes> {
        self.0.waiting().queue.pop_front()
    }

    /// Whether fewer than `most` messages are under way to the session. If not, the task whose waker
    /// `poll` has is woken when one of them has been dealt with.
    pub fn has_room(&mut self, most: usize) -> bool {
        let room = || self.0.under_way.load(Ordering::SeqCst) < most;
        if room() {
            return true;
        }
        self.0.wants_room.store(true, Ordering::SeqCst);
        // What was dealt with before the wish was there woke nobody.
        room()
    }

    /// One more message is under way to the session.
    #[must_use]
    pub fn permit(&mut self) -> Permit {
        self.0.under_way.fetch_add(1, Ordering::SeqCst);
        Permit(self.0.clone())
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
        self.0.change(|waiting| {
            if waiting.queue.len() < EVENTS_MAX {
                waiting.queue.push_back(text);
            } else {
                waiting.close.get_or_insert(Close::TooSlow);
            }
        });
    }

    /// Replaces the state that was not sent yet.
    pub fn state(&self, text: Utf8Bytes) {
        self.0.change(|waiting| waiting.state = Some(text));
    }

    /// Closes the connection, once what is queued before has had its chance.
    pub fn close(&self, why: Close) {
        self.0.change(|waiting| {
            waiting.close.get_or_insert(why);
        });
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
    use std::future::poll_fn;

    use super::*;

    async fn next(out: &mut Outgoing) -> Next {
        poll_fn(|context| out.poll(context)).await
    }

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
        assert_eq!(next(&mut out).await, Next::Say(text("call")));
        assert_eq!(out.queued(), Some(text("result")));
        assert_eq!((out.queued(), next(&mut out).await), (None, Next::Say(text("standings"))));
    }

    #[tokio::test(start_paused = true)]
    async fn who_waits_is_woken_by_whatever_comes() {
        let (outbox, mut out) = Outbox::new();
        let waits = tokio::spawn(async move { (next(&mut out).await, next(&mut out).await) });
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
        assert_eq!(next(&mut out).await, Next::Close(Close::TooSlow));
    }

    #[tokio::test]
    async fn who_has_too_much_under_way_waits_until_some_of_it_is_dealt_with() {
        let (_outbox, mut out) = Outbox::new();
        let first = out.permit();
        assert!(out.has_room(2));
        let second = out.permit();
        let waits = tokio::spawn(async move {
            let room = poll_fn(|context| {
                assert!(out.poll(context).is_pending());
                if out.has_room(2) { Poll::Ready(()) } else { Poll::Pending }
            });
            tokio::time::timeout(std::time::Duration::from_secs(5), room).await
        });
        tokio::task::yield_now().await;
        assert!(!waits.is_finished());
        drop(first);
        assert_eq!(waits.await.unwrap(), Ok(()));
        drop(second);
    }
}
