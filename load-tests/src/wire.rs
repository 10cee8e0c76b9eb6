//! A WebSocket client's end that costs next to nothing, so that the crowd measures the server and not itself:
//! one non-blocking socket, frames read and written by hand (RFC 6455 section 5.2).

use std::{
    io::{self, ErrorKind, Read, Write},
    net::{Ipv4Addr, SocketAddr},
};

use mio::{Interest, Registry, Token, net::TcpStream};
use socket2::{Domain, Protocol, Socket, Type};

/// A request to speak WebSocket; the key is that of the RFC's own example, since nobody checks it twice.
const UPGRADE: &str = "GET /ws HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: Upgrade\r\n\
    Upgrade: websocket\r\nSec-WebSocket-Version: 13\r\n\
    Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n";
/// A longer frame than any server here sends.
const FRAME_MAX: u64 = 1 << 26;

/// What a server said, apart from its text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Said {
    /// The upgrade was accepted.
    Upgraded,
    /// The upgrade was refused with this HTTP status.
    Status(u16),
    /// A text, now in the buffer that was given.
    Text,
    /// A ping, whose payload is in the buffer.
    Ping,
    /// A close frame with this code.
    Closed(u16),
}

/// What crossed one or all sockets.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Traffic {
    /// Messages from the server.
    pub(crate) heard: u64,
    /// Bytes from the server, frame headers included.
    pub(crate) heard_bytes: u64,
    /// Messages to the server.
    pub(crate) said: u64,
    /// Bytes to the server, frame headers included.
    pub(crate) said_bytes: u64,
}

/// One connection.
#[derive(Debug)]
pub(crate) struct Wire {
    stream: TcpStream,
    upgraded: bool,
    /// Bytes that are not a whole frame yet.
    read: Vec<u8>,
    /// Fragments of a message that is not complete yet.
    parts: Vec<u8>,
    /// Bytes that the system has not taken yet.
    unsent: Vec<u8>,
    asked: bool,
    mask: u32,
}

impl Wire {
    /// Starts connecting from one of the loopback addresses, and asks for the upgrade when it can.
    pub(crate) fn connect(
        server: SocketAddr,
        from: Ipv4Addr,
        registry: &Registry,
        token: Token,
    ) -> io::Result<Wire> {
        let socket = Socket::new(Domain::IPV4, Type::STREAM, Some(Protocol::TCP))?;
        socket.set_nonblocking(true)?;
        socket.set_tcp_nodelay(true)?;
        socket.bind(&SocketAddr::from((from, 0)).into())?;
        match socket.connect(&server.into()) {
            Ok(()) => {}
            // EINPROGRESS has no `ErrorKind` of its own.
            Err(error) if error.kind() == ErrorKind::WouldBlock => {}
            Err(error)
                if error.raw_os_error() == Some(rustix::io::Errno::INPROGRESS.raw_os_error()) => {}
            Err(error) => return Err(error),
        }
        let mut stream = TcpStream::from_std(socket.into());
        registry.register(&mut stream, token, Interest::READABLE | Interest::WRITABLE)?;
        Ok(Wire {
            stream,
            upgraded: false,
            read: Vec::new(),
            parts: Vec::new(),
            unsent: Vec::new(),
            asked: false,
            mask: u32::try_from(token.0).unwrap_or(u32::MAX) | 1,
        })
    }

    /// The socket can be written to: asks for the upgrade, or sends what waits.
    pub(crate) fn writable(&mut self) -> io::Result<()> {
        if !self.asked {
            if let Some(error) = self.stream.take_error()? {
                return Err(error);
            }
            self.asked = true;
            self.unsent.extend_from_slice(UPGRADE.as_bytes());
        }
        self.flush()
    }

    /// Sends a text; what the system does not take now goes out when it can.
    pub(crate) fn say(&mut self, text: &str, traffic: &mut Traffic) -> io::Result<()> {
        let before = self.unsent.len();
        // Any mask is as good as any other here; it only has to change.
        self.mask = self.mask.wrapping_mul(0x9e37_79b1).wrapping_add(0x7f4a_7c15);
        masked(0x81, text.as_bytes(), self.mask, &mut self.unsent);
        traffic.said += 1;
        traffic.said_bytes += (self.unsent.len() - before) as u64;
        self.flush()
    }

    /// Answers a ping.
    pub(crate) fn pong(&mut self, payload: &[u8]) -> io::Result<()> {
        masked(0x8a, payload, self.mask, &mut self.unsent);
        self.flush()
    }

    fn flush(&mut self) -> io::Result<()> {
        while !self.unsent.is_empty() {
            match self.stream.write(&self.unsent) {
                Ok(sent) => drop(self.unsent.drain(..sent)),
                Err(error) if error.kind() == ErrorKind::WouldBlock => return Ok(()),
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }

    /// Reads once; true when there may be more.
    pub(crate) fn fill(&mut self, scratch: &mut [u8]) -> io::Result<bool> {
        loop {
            return match self.stream.read(scratch) {
                Ok(0) => Err(ErrorKind::UnexpectedEof.into()),
                Ok(size) => {
                    self.read.extend_from_slice(scratch.get(..size).unwrap_or(&[]));
                    Ok(size == scratch.len())
                }
                Err(error) if error.kind() == ErrorKind::WouldBlock => Ok(false),
                Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                Err(error) => Err(error),
            };
        }
    }

    /// The next thing in what was read, with a text put into `into`; `None` when there is no complete one.
    pub(crate) fn next(
        &mut self,
        into: &mut Vec<u8>,
        traffic: &mut Traffic,
    ) -> io::Result<Option<Said>> {
        if !self.upgraded {
            return self.upgrade();
        }
        loop {
            let Some(frame) = Frame::read(&self.read)? else { return Ok(None) };
            let Frame { last, opcode, payload, size } = frame;
            traffic.heard_bytes += size as u64;
            let said = match opcode {
                0 | 1 => {
                    self.parts.extend_from_slice(payload);
                    last.then_some(Said::Text)
                }
                8 => {
                    let code = payload.first_chunk().map_or(1005, |code| u16::from_be_bytes(*code));
                    Some(Said::Closed(code))
                }
                9 => {
                    into.clear();
                    into.extend_from_slice(payload);
                    Some(Said::Ping)
                }
                _ => None,
            };
            self.read.drain(..size);
            if said == Some(Said::Text) {
                traffic.heard += 1;
                std::mem::swap(into, &mut self.parts);
                self.parts.clear();
            }
            if said.is_some() {
                return Ok(said);
            }
        }
    }

    fn upgrade(&mut self) -> io::Result<Option<Said>> {
        let Some(end) = memchr::memmem::find(&self.read, b"\r\n\r\n") else { return Ok(None) };
        let head = self.read.get(..end).unwrap_or(&[]);
        let status = head.split(|byte| *byte == b' ').nth(1).and_then(|word| {
            std::str::from_utf8(word).ok().and_then(|word| word.parse::<u16>().ok())
        });
        let Some(status) = status else { return Err(ErrorKind::InvalidData.into()) };
        self.read.drain(..end + 4);
        self.upgraded = status == 101;
        Ok(Some(if self.upgraded { Said::Upgraded } else { Said::Status(status) }))
    }
}

/// One frame of a server, which masks nothing.
struct Frame<'a> {
    last: bool,
    opcode: u8,
    payload: &'a [u8],
    size: usize,
}

impl<'a> Frame<'a> {
    fn read(bytes: &'a [u8]) -> io::Result<Option<Frame<'a>>> {
        let Some(&[first, second]) = bytes.first_chunk::<2>() else { return Ok(None) };
        let (length, header) = match second {
            126 => match bytes.get(2..4).and_then(|bytes| bytes.first_chunk()) {
                Some(bytes) => (u64::from(u16::from_be_bytes(*bytes)), 4),
                None => return Ok(None),
            },
            127 => match bytes.get(2..10).and_then(|bytes| bytes.first_chunk()) {
                Some(bytes) => (u64::from_be_bytes(*bytes), 10),
                None => return Ok(None),
            },
            short @ 0..=125 => (u64::from(short), 2),
            // A server must not mask.
            128..=255 => return Err(ErrorKind::InvalidData.into()),
        };
        let length = usize::try_from(length.min(FRAME_MAX)).unwrap_or(usize::MAX);
        let size = header + length;
        let payload = bytes.get(header..size);
        Ok(payload.map(|payload| Frame {
            last: first & 0x80 != 0,
            opcode: first & 0x0f,
            payload,
            size,
        }))
    }
}

fn masked(first: u8, payload: &[u8], mask: u32, out: &mut Vec<u8>) {
    out.push(first);
    match payload.len() {
        short @ 0..=125 => out.push(0x80 | u8::try_from(short).unwrap_or(0)),
        middle @ 126..=65_535 => {
            out.push(0x80 | 126);
            out.extend_from_slice(&u16::try_from(middle).unwrap_or(0).to_be_bytes());
        }
        long => {
            out.push(0x80 | 127);
            out.extend_from_slice(&(long as u64).to_be_bytes());
        }
    }
    let mask = mask.to_be_bytes();
    out.extend_from_slice(&mask);
    out.extend(payload.iter().zip(mask.iter().cycle()).map(|(byte, mask)| byte ^ mask));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6455 section 5.7: a masked "Hello", mask 37 fa 21 3d.
    #[test]
    fn a_masked_text_is_the_one_of_the_rfc() {
        let mut out = Vec::new();
        masked(0x81, b"Hello", 0x37fa_213d, &mut out);
        let rfc = [0x81, 0x85, 0x37, 0xfa, 0x21, 0x3d, 0x7f, 0x9f, 0x4d, 0x51, 0x58];
        assert_eq!(out, rfc);
    }

    /// RFC 6455 section 5.7: an unmasked "Hello", and its two fragments "Hel" and "lo".
    #[test]
    fn unmasked_frames_are_read_as_the_rfc_has_them() {
        let whole = [0x81, 0x05, 0x48, 0x65, 0x6c, 0x6c, 0x6f];
        let frame = Frame::read(&whole).unwrap().unwrap();
        assert_eq!((frame.last, frame.opcode, frame.payload), (true, 1, &b"Hello"[..]));
        let fragment = [0x01, 0x03, 0x48, 0x65, 0x6c, 0x80, 0x02, 0x6c, 0x6f];
        let frame = Frame::read(&fragment).unwrap().unwrap();
        assert_eq!((frame.last, frame.payload, frame.size), (false, &b"Hel"[..], 5));
        let frame = Frame::read(&fragment[5..]).unwrap().unwrap();
        assert_eq!((frame.last, frame.opcode, frame.payload), (true, 0, &b"lo"[..]));
        assert!(Frame::read(&whole[..6]).unwrap().is_none());
        assert!(Frame::read(&[0x81, 0x85]).is_err(), "a server that masks");
    }
}
