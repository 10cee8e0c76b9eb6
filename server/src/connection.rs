//! One connection over any byte stream: first who it is, then what it says and what it is told.

mod greeting;
mod hearing;
mod joining;
mod keyed;
mod silence;

pub(crate) use greeting::has_expired;

use std::{
    future::{Future, poll_fn},
    pin::{Pin, pin},
    sync::Arc,
    task::{Context, Poll},
    time::Duration,
};

use futures_util::{SinkExt, StreamExt};
use thole_host::{Said, text};
use thole_protocol::{
    ServerMsg,
    client_msg::Role,
    close::Close,
    refusal::{Refusal, Why},
    units::At,
};
use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, copy, sink},
    sync::{OwnedSemaphorePermit, mpsc::error::TrySendError},
    time::{Instant, Sleep, sleep_until, timeout},
};
use tokio_tungstenite::{
    WebSocketStream,
    tungstenite::{
        Bytes, Error, Message, Utf8Bytes,
        error::ProtocolError,
        protocol::{
            CloseFrame, WebSocketConfig,
            frame::{
                Frame,
                coding::{Data, OpCode},
            },
        },
    },
};

use crate::{
    Server,
    beats::Beats,
    clock::SessionClock,
    limits::{
        ATHLETE_IN_FLIGHT, Allowance, COACH_IN_FLIGHT, FAREWELL, FRAME_BYTES, READ_BUFFER,
        REFUSALS_MAX, WRITE_BUFFER, WRITE_BUFFER_MAX,
    },
    line::Line,
    outbox::{Next, Outgoing},
    registry::Handle,
    session::{ConnId, Event},
    shares::Guest,
};

/// The resolution of the runtime's timers.
const TIMER_STEP: Duration = Duration::from_millis(1);

/// Bytes that are read and discarded after a frame that ended the connection: the largest message of a coach,
/// and some more.
const DROPPED_MAX: u64 = 1 << 20;

/// Limits of the WebSocket itself; `largest` bytes a message.
#[must_use]
pub fn socket_config(largest: usize) -> WebSocketConfig {
    WebSocketConfig::default()
        .read_buffer_size(READ_BUFFER)
        .write_buffer_size(WRITE_BUFFER)
        .max_write_buffer_size(WRITE_BUFFER_MAX)
        .max_message_size(Some(largest))
        .max_frame_size(Some(largest))
}

/// Serves one connection to its end. Its session may write to `line`, if it has one; `stranger` is given back once it
/// has said who it is, or is sent away. `guest` counts it for its address.
pub async fn serve<S>(
    ws: WebSocketStream<S>,
    line: Option<Arc<Line>>,
    server: Arc<Server>,
    stranger: OwnedSemaphorePermit,
    guest: Guest,
) where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    let mut socket = Socket { ws, line, server: server.clone(), stranger: Some(stranger) };
    // On the heap only for as long as it takes: a connection lives much longer than its greeting.
    let greeted = Box::pin(greeting::greet(&mut socket, &guest)).await;
    // Somebody who is sent away takes no other stranger's place in the meantime.
    socket.stranger = None;
    let why = match greeted {
        Ok(welcome) => {
            let counted = server.metrics.welcomed(welcome.role);
            let ended = Connection::new(welcome, server).run(&mut socket).await;
            drop(counted);
            ended
        }
        Err(ended) => ended,
    };
    match why {
        Ended::GivesWay => socket.farewell().await,
        Ended::Closing(close) => {
            tracing::debug!(code = close.code(), why = close.reason(), "closed");
            socket.server.metrics.closed(close);
            socket.close(close).await;
        }
        Ended::Gone => socket.part().await,
    }
}

/// Why a connection ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ended {
    /// This side closes it, and says why.
    Closing(Close),
    /// It has said nothing and makes room for others.
    GivesWay,
    /// It is gone.
    Gone,
}

/// A WebSocket whose every send has a time limit.
struct Socket<S> {
    ws: WebSocketStream<S>,
    line: Option<Arc<Line>>,
    server: Arc<Server>,
    /// A place among the strangers, until it has said who it is.
    stranger: Option<OwnedSemaphorePermit>,
}

impl<S: AsyncRead + AsyncWrite + Unpin + Send> Socket<S> {
    async fn send(&mut self, text: Utf8Bytes) -> Result<(), Ended> {
        self.send_along(Some(text), None).await
    }

    /// Sends a text along with what else is queued, and what was already written except for a rest, in as few
    /// writes as possible.
    async fn send_along(
        &mut self,
        text: Option<Utf8Bytes>,
        mut also: Option<&mut Outgoing>,
    ) -> Result<(), Ended> {
        let limit = self.server.settings.limits.send;
        let mut sending = pin!(async {
            let mut next = text;
            while let Some(text) = next {
                self.write(text).await?;
                next = also.as_mut().and_then(|out| out.queued());
            }
            self.ws.flush().await
        });
        // Usually the system takes it at once, and no timer is needed.
        let sent = match poll_fn(|context| Poll::Ready(sending.as_mut().poll(context))).await {
            Poll::Ready(sent) => Ok(sent),
            Poll::Pending => timeout(limit, sending).await,
        };
        match sent {
            Ok(Ok(())) => Ok(()),
            Ok(Err(_)) => Err(Ended::Gone),
            Err(_) => Err(Ended::Closing(Close::TooSlow)),
        }
    }

    /// A long text goes out in several frames, so that a small write buffer holds each.
    async fn write(&mut self, text: Utf8Bytes) -> Result<(), Error> {
        self.server.metrics.sent.inc_by(text.len() as u64);
        if text.len() <= FRAME_BYTES {
            return self.ws.feed(Message::Text(text)).await;
        }
        let mut rest = Bytes::from(text);
        let mut kind = OpCode::Data(Data::Text);
        while !rest.is_empty() {
            let part = rest.split_to(rest.len().min(FRAME_BYTES));
            let frame = Frame::message(part, kind, rest.is_empty());
            self.ws.send(Message::Frame(frame)).await?;
            kind = OpCode::Data(Data::Continue);
        }
        Ok(())
    }

    async fn say(&mut self, msg: &ServerMsg) -> Result<(), Ended> {
        self.send(text(msg)).await
    }

    /// The next text, if that is what comes and it is no longer than `largest`.
    async fn hear(&mut self, largest: usize) -> Result<Option<Utf8Bytes>, Ended> {
        poll_fn(|context| self.poll_hear(context, largest)).await
    }

    fn poll_hear(
        &mut self,
        context: &mut Context<'_>,
        largest: usize,
    ) -> Poll<Result<Option<Utf8Bytes>, Ended>> {
        let Poll::Ready(heard) = self.ws.poll_next_unpin(context) else { return Poll::Pending };
        Poll::Ready(match heard {
            Some(Ok(Message::Text(text))) if text.len() > largest => {
                Err(Ended::Closing(Close::TooBig))
            }
            Some(Ok(Message::Text(text))) => {
                self.server.metrics.received.inc_by(text.len() as u64);
                Ok(Some(text))
            }
            Some(Ok(Message::Binary(_))) => Err(Ended::Closing(Close::NotText)),
            // The library answers pings by itself.
            Some(Ok(Message::Ping(_) | Message::Pong(_) | Message::Frame(_))) => Ok(None),
            Some(Err(Error::Capacity(_))) => Err(Ended::Closing(Close::TooBig)),
            Some(Err(Error::Protocol(ProtocolError::ResetWithoutClosingHandshake))) => {
                Err(Ended::Gone)
            }
            Some(Err(Error::Protocol(_))) => Err(Ended::Closing(Close::BrokenFrame)),
            Some(Err(Error::Utf8(_))) => Err(Ended::Closing(Close::NotUtf8)),
            Some(Ok(Message::Close(_)) | Err(_)) | None => Err(Ended::Gone),
        })
    }

    async fn close(&mut self, close: Close) {
        let frame = CloseFrame { code: close.code().into(), reason: close.reason().into() };
        let limit = self.server.settings.limits.send;
        // Whoever does not take the close frame in time is gone anyway.
        let _ = timeout(limit, async {
            self.ws.close(Some(frame)).await?;
            while self.ws.next().await.is_some_and(|message| message.is_ok()) {}
            if matches!(close, Close::BrokenFrame | Close::NotUtf8 | Close::TooBig) {
                // What follows is no longer a frame. Closing over unread bytes would take back the close frame that
                // is on its way (RFC 6455 section 7.1.1), so they are read and dropped.
                let io = self.ws.get_mut();
                io.shutdown().await?;
                copy(&mut io.take(DROPPED_MAX), &mut sink()).await?;
            }
            Ok::<(), Error>(())
        })
        .await;
    }

    /// Closes for somebody who has said nothing yet: no answer is awaited.
    async fn farewell(&mut self) {
        let close = Close::TooSlow;
        let frame = CloseFrame { code: close.code().into(), reason: close.reason().into() };
        let _ = timeout(FAREWELL, self.ws.close(Some(frame))).await;
    }

    /// Answers the other side's close frame (RFC 6455 section 5.5.1), if one came.
    async fn part(&mut self) {
        let _ = timeout(self.server.settings.limits.send, self.ws.next()).await;
    }
}

/// A connection that has been let in.
struct Connection {
    server: Arc<Server>,
    conn: ConnId,
    role: Role,
    /// The athlete, if it is one.
    you: Option<thole_protocol::ids::AthleteId>,
    handle: Handle,
    clock: SessionClock,
    out: Outgoing,
    /// How many bytes a message from this role may have.
    largest: usize,
    /// How many messages may be under way to the session.
    in_flight: usize,
    messages: Allowance,
    refusals: Allowance,
    /// Nothing is read before this instant.
    reads_from: Instant,
    heard: Instant,
    silent: bool,
    /// Silence is judged from this instant on …
    judges_from: Instant,
    /// … if the socket was already found empty once.
    looked: bool,
    /// When the current turn began.
    turned: Instant,
    /// Goes off when something may be due: silence, or reading again.
    alarm: Pin<Box<Sleep>>,
    /// The alarm will wake this task: it has been polled since it was set.
    alarm_is_set: bool,
}

impl Connection {
    fn new(welcome: greeting::Welcomed, server: Arc<Server>) -> Connection {
        let greeting::Welcomed { conn, role, you, handle, clock, out } = welcome;
        let limits = &server.settings.limits;
        let now = server.clock.instant();
        let (largest, in_flight) = match role {
            Role::Coach => (limits.coach_bytes, COACH_IN_FLIGHT),
            Role::Athlete => (limits.athlete_bytes, ATHLETE_IN_FLIGHT),
            Role::Board => (limits.stranger_bytes, 1),
        };
        let per_s = f64::from(limits.messages_per_s) * f64::from(server.clock.speed());
        Connection {
            conn,
            role,
            you,
            handle,
            clock,
            out,
            largest,
            in_flight,
            messages: Allowance::new(2.0 * per_s, per_s, now),
            refusals: Allowance::new(REFUSALS_MAX, 1.0, now),
            reads_from: now,
            heard: now,
            silent: false,
            judges_from: now,
            looked: false,
            turned: now,
            alarm: Box::pin(sleep_until(now)),
            alarm_is_set: false,
            server,
        }
    }

    async fn run<S>(mut self, socket: &mut Socket<S>) -> Ended
    where
        S: AsyncRead + AsyncWrite + Unpin + Send,
    {
        Beats::keep(&self.server.beats, self.out.pulse(), self.clock);
        let ended = self.serve(socket).await;
        let told_why = self.server.reads_only()
            || matches!(
                ended,
                Ended::Closing(Close::Restart | Close::Replaced | Close::SessionClosed)
            );
        if told_why && ended != Ended::Gone {
            self.flush(socket).await;
        }
        // A session that has ended knows that everybody has left.
        let _ = self.handle.inbox.send(Event::Said(Said::Left(self.conn, self.heard_at()))).await;
        ended
    }

    /// Sends what was queued before the close.
    async fn flush<S>(&mut self, socket: &mut Socket<S>)
    where
        S: AsyncRead + AsyncWrite + Unpin + Send,
    {
        while let Some(text) = self.out.queued() {
            if socket.send(text).await.is_err() {
                return;
            }
        }
    }

    async fn serve<S>(&mut self, socket: &mut Socket<S>) -> Ended
    where
        S: AsyncRead + AsyncWrite + Unpin + Send,
    {
        loop {
            let turn = poll_fn(|context| self.poll_turn(socket, context)).await;
            let done = match turn {
                Turn::Close(why) => Err(Ended::Closing(why)),
                Turn::Say(text) => socket.send_along(Some(text), Some(&mut self.out)).await,
                Turn::Flush => socket.send_along(None, None).await,
                Turn::Heard(text) => self.hear(socket, &text).await,
                Turn::Silence => self.silence().await,
                Turn::Nothing => Ok(()),
                Turn::Ended(ended) => Err(ended),
            };
            if let Err(ended) = done {
                return ended;
            }
        }
    }

    /// Chooses what is next, and only that: first what goes out, then what the time brings, then what comes
    /// in.
    fn poll_turn<S>(&mut self, socket: &mut Socket<S>, context: &mut Context<'_>) -> Poll<Turn>
    where
        S: AsyncRead + AsyncWrite + Unpin + Send,
    {
        let now = self.server.clock.instant();
        self.turned = now;
        match self.out.poll(context) {
            Poll::Ready(Next::Close(why)) => return Poll::Ready(Turn::Close(why)),
            Poll::Ready(Next::Say(text)) => return Poll::Ready(Turn::Say(text)),
            Poll::Ready(Next::Flush) => return Poll::Ready(Turn::Flush),
            Poll::Pending => {}
        }
        // Timers are good to a millisecond: a task woken that much early is not sent back to sleep.
        let now = now + TIMER_STEP;
        let has_room = self.out.has_room(self.in_flight);
        let may_read = has_room && now >= self.reads_from;
        let silence = self.silence_at();
        let due = if has_room && !may_read { silence.min(self.reads_from) } else { silence };
        // Silence is put off with every message; the alarm is not, and looks again when it goes off.
        if due < self.alarm.deadline() {
            self.set_alarm(due);
        }
        // An alarm that is set and not due wakes this task by itself.
        if !self.alarm_is_set || now >= self.alarm.deadline() {
            self.alarm_is_set = true;
            if self.alarm.as_mut().poll(context).is_ready() {
                return Poll::Ready(if now < due {
                    self.set_alarm(due);
                    Turn::Nothing
                } else if now < silence {
                    // Not again at once: the next turn sets it to whatever is due then.
                    self.set_alarm(now + self.server.settings.limits.silence);
                    Turn::Nothing
                } else {
                    self.judge(socket, context, may_read)
                });
            }
        }
        if !may_read {
            return Poll::Pending;
        }
        socket.poll_hear(context, self.largest).map(Turn::of)
    }

    fn set_alarm(&mut self, at: Instant) {
        self.alarm.as_mut().reset(at);
        self.alarm_is_set = false;
    }

    /// When it was last heard, on the session's clock.
    fn heard_at(&self) -> At {
        At(self.clock.us_at(self.heard) / 1_000)
    }

    async fn tell(&self, event: Event) -> Result<(), Ended> {
        let told = match self.handle.inbox.try_send(event) {
            Ok(()) => Ok(()),
            Err(TrySendError::Full(event)) => self.handle.inbox.send(event).await.map_err(drop),
            Err(TrySendError::Closed(_)) => Err(()),
        };
        told.map_err(|()| Ended::Closing(Close::GoingAway))
    }
}

/// What a connection does next.
enum Turn {
    Close(Close),
    Say(Utf8Bytes),
    Flush,
    Heard(Utf8Bytes),
    Silence,
    Nothing,
    Ended(Ended),
}

impl Turn {
    fn of(heard: Result<Option<Utf8Bytes>, Ended>) -> Turn {
        match heard {
            Ok(Some(text)) => Turn::Heard(text),
            Ok(None) => Turn::Nothing,
            Err(ended) => Turn::Ended(ended),
        }
    }
}

fn refusal(why: Why, says: &str) -> Refusal {
    Refusal { why, says: says.to_owned() }
}
