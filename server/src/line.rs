//! The way out of a plain TCP connection. Its task writes to it through the WebSocket library; its session may write a
//! short text to it as well, at once, which saves waking the task.
//!
//! Both write whole frames, and one lock keeps them whole: if the system takes only part of one, the rest waits
//! here, and nothing else goes out before it.

use std::{
    io::{self, IoSlice},
    pin::Pin,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    task::{Context, Poll, ready},
};

use prometheus_client::metrics::counter::Counter;
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::{
        TcpStream,
        tcp::{OwnedReadHalf, OwnedWriteHalf},
    },
};
use tokio_tungstenite::tungstenite::protocol::frame::{
    FrameHeader,
    coding::{Data, OpCode},
};

/// Bytes of a frame that is copied into one piece for writing: an acknowledgement, a call.
const SHORT: usize = 1_024;

/// What has become of a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Written {
    /// The system has taken all of it.
    Whole,
    /// The system has taken a part of it; the connection's task has to flush the rest.
    InPart,
    /// Nothing of it was taken: the system is full, or the connection is over.
    Nothing,
}

/// The writing half of a connection.
#[derive(Debug)]
pub struct Line {
    sending: Mutex<Sending>,
    /// Counts bytes of texts that were written without the connection's task.
    sent: Counter,
}

#[derive(Debug)]
struct Sending {
    /// `None` when the connection is over.
    half: Option<OwnedWriteHalf>,
    /// What the system has not taken of the last frames.
    rest: Vec<u8>,
}

impl Line {
    fn sending(&self) -> MutexGuard<'_, Sending> {
        self.sending.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Writes a text as one frame, as far as the system takes it without waiting.
    pub fn write(&self, text: &str) -> Written {
        let mut sending = self.sending();
        let Sending { half: Some(half), rest } = &mut *sending else { return Written::Nothing };
        if !rest.is_empty() {
            return Written::Nothing;
        }
        // Most are short, and one piece costs the system less than two.
        let mut room = [0; SHORT];
        let Some(header) = header_of(text.len(), &mut room) else { return Written::Nothing };
        let length = header + text.len();
        let taken = if let Some(place) = room.get_mut(header..length) {
            place.copy_from_slice(text.as_bytes());
            half.try_write(room.get(..length).unwrap_or_default())
        } else {
            let header = IoSlice::new(room.get(..header).unwrap_or_default());
            half.try_write_vectored(&[header, IoSlice::new(text.as_bytes())])
        };
        // That somebody is gone is found out by the task, which reads.
        let Ok(taken @ 1..) = taken else { return Written::Nothing };
        self.sent.inc_by(text.len() as u64);
        if taken == length {
            return Written::Whole;
        }
        let header = room.get(..header).unwrap_or_default();
        rest.extend(header.iter().chain(text.as_bytes()).skip(taken));
        Written::InPart
    }
}

/// Writes the header of a text of this length, and returns how long the header is; `None` if it cannot be written,
/// which cannot happen.
fn header_of(length: usize, room: &mut [u8]) -> Option<usize> {
    let header = FrameHeader { opcode: OpCode::Data(Data::Text), ..FrameHeader::default() };
    let (before, mut left) = (room.len(), room);
    header.format(u64::try_from(length).ok()?, &mut left).ok()?;
    Some(before - left.len())
}

impl Sending {
    /// Hands on what is left of earlier frames.
    fn poll_rest(&mut self, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        while !self.rest.is_empty() {
            let half = self.half.as_mut().ok_or(io::ErrorKind::NotConnected)?;
            let taken = ready!(Pin::new(half).poll_write(context, &self.rest))?;
            if taken == 0 {
                return Poll::Ready(Err(io::ErrorKind::WriteZero.into()));
            }
            self.rest.drain(..taken);
        }
        // It was needed for a moment; thousands of connections do not need one.
        self.rest = Vec::new();
        Poll::Ready(Ok(()))
    }
}

/// A TCP connection as its task sees it.
#[derive(Debug)]
pub struct Plain {
    read: OwnedReadHalf,
    line: Arc<Line>,
}

impl Plain {
    /// Both directions of a connection; its session may be given the line, and what it writes is counted.
    #[must_use]
    pub fn new(io: TcpStream, sent: Counter) -> Plain {
        let (read, half) = io.into_split();
        let sending = Sending { half: Some(half), rest: Vec::new() };
        Plain { read, line: Arc::new(Line { sending: Mutex::new(sending), sent }) }
    }

    /// The way out.
    #[must_use]
    pub fn line(&self) -> Arc<Line> {
        self.line.clone()
    }
}

impl Drop for Plain {
    fn drop(&mut self) {
        // Closed now, not when its session forgets it.
        self.line.sending().half = None;
    }
}

impl AsyncRead for Plain {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.read).poll_read(context, buffer)
    }
}

impl AsyncWrite for Plain {
    /// Takes all of `frames` or none of it, so that what the session writes never lands in the middle of a frame.
    fn poll_write(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
        frames: &[u8],
    ) -> Poll<io::Result<usize>> {
        let mut sending = self.line.sending();
        ready!(sending.poll_rest(context))?;
        let half = sending.half.as_mut().ok_or(io::ErrorKind::NotConnected)?;
        let taken = ready!(Pin::new(half).poll_write(context, frames))?;
        sending.rest.extend_from_slice(frames.get(taken..).unwrap_or_default());
        Poll::Ready(Ok(if taken == 0 { 0 } else { frames.len() }))
    }

    fn poll_flush(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.line.sending().poll_rest(context)
    }

    fn poll_shutdown(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let mut sending = self.line.sending();
        ready!(sending.poll_rest(context))?;
        let half = sending.half.as_mut().ok_or(io::ErrorKind::NotConnected)?;
        Pin::new(half).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use tokio::{
        io::{AsyncReadExt, AsyncWriteExt},
        net::{TcpListener, TcpStream},
        time::timeout,
    };

    use super::*;
    use std::time::Duration;

    async fn connection() -> (Plain, TcpStream) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let far = TcpStream::connect(listener.local_addr().unwrap()).await.unwrap();
        let (near, _) = listener.accept().await.unwrap();
        near.writable().await.unwrap();
        (Plain::new(near, Counter::default()), far)
    }

    async fn reads(far: &mut TcpStream, bytes: usize) -> Vec<u8> {
        let mut read = vec![0; bytes];
        timeout(Duration::from_secs(10), far.read_exact(&mut read)).await.unwrap().unwrap();
        read
    }

    /// RFC 6455, 5.7: a single-frame unmasked text message that contains "Hello".
    #[tokio::test]
    async fn a_text_is_the_frame_of_the_standard() {
        let (plain, mut far) = connection().await;
        assert_eq!(plain.line().write("Hello"), Written::Whole);
        assert_eq!(reads(&mut far, 7).await, [0x81, 0x05, 0x48, 0x65, 0x6c, 0x6c, 0x6f]);
    }

    /// RFC 6455, 5.2: from 126 bytes on the length takes two bytes more.
    #[tokio::test]
    async fn a_longer_text_says_its_length_in_two_bytes() {
        let (plain, mut far) = connection().await;
        for (length, header) in [(256, [0x81, 0x7e, 0x01, 0x00]), (3_000, [0x81, 0x7e, 0x0b, 0xb8])]
        {
            assert_eq!(plain.line().write(&"o".repeat(length)), Written::Whole);
            assert_eq!(reads(&mut far, 4).await, header);
            assert_eq!(reads(&mut far, length).await, vec![b'o'; length]);
        }
    }

    /// Fills up what the system takes, and returns how many whole texts of 1,000 bytes that was.
    fn fill(line: &Line) -> usize {
        let text = "x".repeat(1_000);
        let mut whole = 0;
        while line.write(&text) == Written::Whole {
            whole += 1;
        }
        whole
    }

    #[tokio::test]
    async fn what_the_system_takes_in_part_stays_whole_and_nothing_goes_past_its_rest() {
        let (mut plain, mut far) = connection().await;
        let line = plain.line();
        let whole = fill(&line);
        let rest = line.sending().rest.len();
        assert!(whole > 0);
        assert_eq!(line.write("later"), Written::Nothing);
        let writes = tokio::spawn(async move {
            plain.write_all(b"by the task").await.unwrap();
            plain.flush().await.unwrap();
            plain
        });
        let begun = usize::from(rest > 0);
        let frames = reads(&mut far, (whole + begun) * 1_004).await;
        for frame in frames.chunks(1_004) {
            assert_eq!(frame[..4], [0x81, 0x7e, 0x03, 0xe8]);
            assert!(frame[4..].iter().all(|byte| *byte == b'x'));
        }
        assert_eq!(reads(&mut far, 11).await, b"by the task");
        let plain = writes.await.unwrap();
        assert_eq!(plain.line().write("later"), Written::Whole);
        assert_eq!(reads(&mut far, 7).await, [&[0x81, 5][..], b"later"].concat());
    }

    #[tokio::test]
    async fn a_task_that_writes_more_than_the_system_takes_is_not_cut_by_its_session() {
        let (mut plain, mut far) = connection().await;
        let line = plain.line();
        let much = vec![b'm'; 8 << 20];
        let size = much.len();
        let writes = tokio::spawn(async move {
            plain.write_all(&much).await.unwrap();
            plain.flush().await.unwrap();
        });
        tokio::task::yield_now().await;
        assert_eq!(line.write("between"), Written::Nothing);
        assert!(reads(&mut far, size).await.iter().all(|byte| *byte == b'm'));
        writes.await.unwrap();
    }

    #[tokio::test]
    async fn a_connection_that_is_over_is_closed_though_its_session_still_has_the_line() {
        let (plain, mut far) = connection().await;
        let line = plain.line();
        drop(plain);
        assert_eq!(line.write("too late"), Written::Nothing);
        let mut read = Vec::new();
        let ended = timeout(Duration::from_secs(10), far.read_to_end(&mut read)).await.unwrap();
        assert_eq!((ended.unwrap(), read.len()), (0, 0));
    }
}
