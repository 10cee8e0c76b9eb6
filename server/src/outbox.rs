//! Bounded sending: what a session has for one connection.

use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, AtomicUsize, Ordering},
    },
    task::{Context, Poll, Waker},
};

use thole_protocol::{client_msg::Role, close::Close};
use tokio::time::Instant;
use tokio_tungstenite::tungstenite::Utf8Bytes;

use crate::{
    clock::Clock,
    limits::{EVENTS_MAX, FRAME_BYTES, SCREEN_EVENTS_MAX},
    line::{Line, Written},
};

/// What a connection does with its outbox next.
#[derive(Debug, PartialEq, Eq)]
pub enum Next {
    /// Close, and say why.
    Close(Close),
    /// Send this.
    Say(Utf8Bytes),
    /// Send the rest of what its session has begun to write.
    Flush,
}

/// What waits to be sent. Held only for moments, never across an `.await`, and by three at most: the session, the
/// one connection, and whoever sends the heartbeats.
#[derive(Debug)]
struct Waiting {
    /// Events, acknowledgements, answers: queued, never dropped.
    queue: VecDeque<Utf8Bytes>,
    /// This many at the front of it are what was missed.
    missed: usize,
    /// State that supersedes itself: only the newest is kept.
    state: Option<Utf8Bytes>,
    /// Set when the connection is to be closed.
    close: Option<Close>,
    /// The connection's task, while it waits.
    connection: Option<Waker>,
    /// The connection has taken something from here and is writing it: nothing overtakes that.
    is_writing: bool,
    /// Part of what its session wrote is left for the connection to write.
    to_flush: bool,
    /// When something was last said.
    said: Instant,
    /// The connection has ended.
    is_over: bool,
}

impl Waiting {
    fn new(now: Instant) -> Waiting {
        Waiting {
            queue: VecDeque::new(),
            missed: 0,
            state: None,
            close: None,
            connection: None,
            is_writing: false,
            to_flush: false,
            said: now,
            is_over: false,
        }
    }

    fn take(&mut self) -> Option<Next> {
        if let Some(close) = self.close {
            return Some(Next::Close(close));
        }
        if std::mem::take(&mut self.to_flush) {
            return Some(Next::Flush);
        }
        let text = self.pop().or_else(|| self.state.take());
        text.map(Next::Say)
    }

    fn pop(&mut self) -> Option<Utf8Bytes> {
        self.missed = self.missed.saturating_sub(1);
        self.queue.pop_front()
    }

    /// Whether what is queued now could be written now, with nothing that has to go first. After a close nothing
    /// more is sent (RFC 6455, 5.5.1).
    fn is_at_rest(&self) -> bool {
        let is_open = self.close.is_none() && !self.is_over;
        is_open && !self.is_writing && !self.to_flush && self.queue.is_empty()
    }

    fn push(&mut self, text: Utf8Bytes, most: usize) {
        if self.queue.len() < self.missed + most {
            self.queue.push_back(text);
        } else {
            self.close.get_or_insert(Close::TooSlow);
        }
    }
}

/// Everything that a connection and its session share, in one place in memory.
#[derive(Debug)]
struct Shared {
    waiting: Mutex<Waiting>,
    /// This many messages may wait.
    most: usize,
    /// The way out, where the session may use it.
    line: Option<Arc<Line>>,
    clock: Clock,
    /// Messages of the connection that the session has not dealt with yet.
    under_way: AtomicUsize,
    /// Refusals by the session that the connection has not paid for yet.
    refused: AtomicUsize,
    /// The connection waits for one of them.
    wants_room: AtomicBool,
}

impl Shared {
    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changes what waits, and wakes the connection if it sleeps.
    fn change(&self, change: impl FnOnce(&mut Waiting)) {
        self.wake(self.waiting(), change);
    }

    /// Says something now if nothing has to go before it: that saves waking the connection's task, which is most of
    /// what a short message costs. Queues it otherwise.
    fn say(&self, mut waiting: MutexGuard<'_, Waiting>, text: impl AsRef<str> + Into<Utf8Bytes>) {
        let line = self.line.as_ref();
        let line = line.filter(|_| text.as_ref().len() <= FRAME_BYTES && waiting.is_at_rest());
        match line.map_or(Written::Nothing, |line| line.write(text.as_ref())) {
            Written::Whole => waiting.said = self.clock.instant(),
            Written::InPart => self.wake(waiting, |waiting| waiting.to_flush = true),
            Written::Nothing => self.wake(waiting, |waiting| waiting.push(text.into(), self.most)),
        }
    }

    fn wake(&self, mut waiting: MutexGuard<'_, Waiting>, change: impl FnOnce(&mut Waiting)) {
        change(&mut waiting);
        let connection = waiting.connection.take();
        drop(waiting);
        if let Some(connection) = connection {
            connection.wake();
        }
    }
}

/// Something that a connection has said and its session has not dealt with yet; dropped when it has.
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
    /// What is next; when there is nothing yet, the task is woken as soon as there is. What was taken before has
    /// been written by then.
    pub fn poll(&mut self, context: &Context<'_>) -> Poll<Next> {
        let mut waiting = self.0.waiting();
        let next = waiting.take();
        waiting.is_writing = next.is_some();
        if let Some(next) = next {
            waiting.said = self.0.clock.instant();
            return Poll::Ready(next);
        }
        let known = waiting.connection.as_ref();
        if !known.is_some_and(|known| known.will_wake(context.waker())) {
            waiting.connection = Some(context.waker().clone());
        }
        Poll::Pending
    }

    /// How many refusals by the session have not been paid for yet; asking counts them as paid.
    #[must_use]
    pub fn refusals(&self) -> usize {
        self.0.refused.swap(0, Ordering::Relaxed)
    }

    /// One more of what is queued, without waiting: whoever writes anyway takes it along.
    pub fn queued(&mut self) -> Option<Utf8Bytes> {
        self.0.waiting().pop()
    }

    /// What keeps it alive.
    #[must_use]
    pub fn pulse(&self) -> Pulse {
        Pulse(self.0.clone())
    }

    /// Whether fewer than `most` messages are under way to the session. If not, the task whose waker `poll`
    /// has is woken when one of them has been dealt with.
    pub fn has_room(&mut self, most: usize) -> bool {
        let room = || self.0.under_way.load(Ordering::SeqCst) < most;
        if room() {
            return true;
        }
        self.0.wants_room.store(true, Ordering::SeqCst);
        // What was dealt with before the request was noted woke nobody.
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

impl Drop for Outgoing {
    fn drop(&mut self) {
        self.0.waiting().is_over = true;
    }
}

/// Says that the server is there, when nothing else is said.
#[derive(Debug)]
pub struct Pulse(Arc<Shared>);

impl Pulse {
    /// When something was last said; `None` when the connection is over.
    #[must_use]
    pub fn said(&self) -> Option<Instant> {
        let waiting = self.0.waiting();
        (!waiting.is_over).then_some(waiting.said)
    }

    /// Says it, unless something else is on its way out.
    pub fn beat(&self, text: &str) {
        let waiting = self.0.waiting();
        if waiting.is_at_rest() && waiting.state.is_none() {
            self.0.say(waiting, text);
        }
    }
}

/// A session's end of one connection.
#[derive(Debug)]
pub struct Outbox(Arc<Shared>);

impl Outbox {
    /// Both ends; with a line, what the session says is written at once where possible.
    #[must_use]
    pub fn new(role: Role, line: Option<Arc<Line>>, clock: Clock) -> (Outbox, Outgoing) {
        let shared = Arc::new(Shared {
            waiting: Mutex::new(Waiting::new(clock.instant())),
            most: match role {
                Role::Athlete => EVENTS_MAX,
                Role::Coach | Role::Board => SCREEN_EVENTS_MAX,
            },
            line,
            clock,
            under_way: AtomicUsize::new(0),
            refused: AtomicUsize::new(0),
            wants_room: AtomicBool::new(false),
        });
        (Outbox(shared.clone()), Outgoing(shared))
    }

    /// Writes a message if nothing has to go before it, and queues it otherwise. A reader that has fallen too far
    /// behind is closed: it resumes and loses nothing.
    pub fn queue(&self, text: impl AsRef<str> + Into<Utf8Bytes>) {
        self.0.say(self.0.waiting(), text);
    }

    /// Notes that the session has refused something from this connection, which pays for it with its next
    /// message.
    pub fn note_refusal(&self) {
        self.0.refused.fetch_add(1, Ordering::Relaxed);
    }

    /// Queues what somebody who comes back has missed, after the welcome, however much it is: it does not count
    /// as falling behind, or somebody who has missed a lot could never come back.
    pub fn catch_up(&self, texts: &[Utf8Bytes]) {
        self.0.change(|waiting| {
            waiting.queue.extend(texts.iter().cloned());
            waiting.missed = waiting.queue.len();
        });
    }

    /// Replaces the state that has not been sent yet.
    pub fn state(&self, text: Utf8Bytes) {
        self.0.change(|waiting| waiting.state = Some(text));
    }

    /// Closes the connection, once what was queued before has had its chance.
    pub fn close(&self, why: Close) {
        self.0.change(|waiting| {
            waiting.close.get_or_insert(why);
        });
    }
}

impl Drop for Outbox {
    fn drop(&mut self) {
        // A session that forgets a connection without a word has ended because of a bug: it is opened again
        // on the next hello.
        self.close(Close::Fault);
    }
}

#[cfg(test)]
mod tests {
    use std::future::poll_fn;

    use prometheus_client::metrics::counter::Counter;
    use tokio::{
        io::AsyncReadExt,
        net::{TcpListener, TcpStream},
    };

    use super::*;
    use crate::line::Plain;

    async fn next(out: &mut Outgoing) -> Next {
        poll_fn(|context| out.poll(context)).await
    }

    fn text(says: &str) -> Utf8Bytes {
        says.to_owned().into()
    }

    #[tokio::test]
    async fn what_is_queued_goes_before_state_and_of_state_only_the_newest_is_left() {
        let (outbox, mut out) = Outbox::new(Role::Athlete, None, Clock::new(1));
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
        let (outbox, mut out) = Outbox::new(Role::Athlete, None, Clock::new(1));
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
        let roles = [
            (Role::Athlete, EVENTS_MAX),
            (Role::Coach, SCREEN_EVENTS_MAX),
            (Role::Board, SCREEN_EVENTS_MAX),
        ];
        for (role, most) in roles {
            let (outbox, mut out) = Outbox::new(role, None, Clock::new(1));
            for _ in 0..most {
                outbox.queue(text("event"));
            }
            assert_eq!(out.closing(), None, "{role:?}");
            outbox.queue(text("one too many"));
            drop(outbox);
            assert_eq!(next(&mut out).await, Next::Close(Close::TooSlow), "{role:?}");
        }
    }

    #[tokio::test]
    async fn who_has_missed_much_is_told_all_of_it_and_may_fall_behind_as_far_as_others() {
        let (outbox, mut out) = Outbox::new(Role::Athlete, None, Clock::new(1));
        outbox.queue(text("welcome"));
        outbox.catch_up(&vec![text("missed"); 3 * EVENTS_MAX]);
        assert_eq!(next(&mut out).await, Next::Say(text("welcome")));
        for _ in 0..EVENTS_MAX {
            outbox.queue(text("event"));
        }
        assert_eq!(out.queued(), Some(text("missed")));
        outbox.queue(text("one too many"));
        assert_eq!(next(&mut out).await, Next::Close(Close::TooSlow));
    }

    #[tokio::test]
    async fn who_has_too_much_under_way_waits_until_some_of_it_is_dealt_with() {
        let (_outbox, mut out) = Outbox::new(Role::Athlete, None, Clock::new(1));
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

    /// A connection whose session may write to it, and its far end.
    async fn with_line() -> (Outbox, Outgoing, Plain, TcpStream) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let far = TcpStream::connect(listener.local_addr().unwrap()).await.unwrap();
        let (near, _) = listener.accept().await.unwrap();
        near.writable().await.unwrap();
        let plain = Plain::new(near, Counter::default());
        let (outbox, out) = Outbox::new(Role::Athlete, Some(plain.line()), Clock::new(1));
        (outbox, out, plain, far)
    }

    async fn reads(far: &mut TcpStream, says: &str) {
        let mut frame = vec![0; 2 + says.len()];
        let read = far.read_exact(&mut frame);
        tokio::time::timeout(std::time::Duration::from_secs(10), read).await.unwrap().unwrap();
        assert_eq!(frame[2..], *says.as_bytes());
    }

    #[tokio::test]
    async fn with_a_line_a_message_is_written_at_once_and_nobody_is_woken() {
        let (outbox, mut out, _plain, mut far) = with_line().await;
        outbox.queue("call");
        reads(&mut far, "call").await;
        assert_eq!(out.queued(), None);
        assert!(out.poll(&Context::from_waker(Waker::noop())).is_pending());
    }

    #[tokio::test]
    async fn nothing_is_written_past_what_the_connection_is_writing_or_what_is_queued() {
        let (outbox, mut out, _plain, mut far) = with_line().await;
        let long = "x".repeat(FRAME_BYTES + 1);
        outbox.queue(long.as_str());
        outbox.queue("after it");
        assert_eq!(next(&mut out).await, Next::Say(text(&long)));
        assert_eq!(out.queued(), Some(text("after it")));
        outbox.queue("while it is written");
        assert_eq!(next(&mut out).await, Next::Say(text("while it is written")));
        assert!(out.poll(&Context::from_waker(Waker::noop())).is_pending());
        outbox.queue("at rest");
        reads(&mut far, "at rest").await;
    }

    #[tokio::test]
    async fn nothing_is_written_to_who_is_being_closed_by_either_end() {
        let (outbox, out, plain, mut far) = with_line().await;
        drop(out);
        outbox.queue("after the connection has closed it");
        let (sent_away, _out, other, mut other_far) = with_line().await;
        sent_away.close(Close::Replaced);
        sent_away.queue("after the session has closed it");
        drop((plain, other));
        let mut read = Vec::new();
        far.read_to_end(&mut read).await.unwrap();
        other_far.read_to_end(&mut read).await.unwrap();
        assert_eq!(read, b"");
    }

    #[tokio::test]
    async fn what_is_written_in_part_is_flushed_by_the_connection_before_anything_else() {
        let (outbox, mut out, _plain, _far) = with_line().await;
        let long = "x".repeat(1_000);
        let woken = loop {
            outbox.queue(long.as_str());
            if let Poll::Ready(next) = out.poll(&Context::from_waker(Waker::noop())) {
                break next;
            }
        };
        // The system takes part of the last one, or nothing of it, as it likes.
        assert!(woken == Next::Flush || woken == Next::Say(text(&long)), "{woken:?}");
        outbox.queue("after it");
        assert_eq!(next(&mut out).await, Next::Say(text("after it")));
    }
}
