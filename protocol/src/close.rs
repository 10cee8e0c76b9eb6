//! Why a connection ends, and what a client does about it: one table for everybody.

/// This server's reasons to close a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u16)]
pub enum Close {
    /// The other side is going away (RFC 6455).
    GoingAway = 1001,
    /// The server ran into a fault of its own (RFC 6455).
    Fault = 1011,
    /// The server restarts (IANA registry of WebSocket close codes).
    Restart = 1012,
    /// The client could not keep up, or the server is full for the moment (IANA registry).
    TooSlow = 1013,
    /// A frame did not conform to RFC 6455.
    BrokenFrame = 1002,
    /// A text was not UTF-8 (RFC 6455).
    NotUtf8 = 1007,
    /// A message was larger than this role may send (RFC 6455).
    TooBig = 1009,
    /// Text was expected and something else came (RFC 6455).
    NotText = 1003,
    /// Messages came much faster than the limit (RFC 6455: policy).
    TooMany = 1008,
    /// Nothing was heard for a while: the application's heartbeat failed.
    Silent = 4000,
    /// The secret opens nothing here, and the server is known to have lost records: it may have been a valid
    /// one.
    RecordsLost = 4001,
    /// The secret is wrong, was revoked or has expired; which of these is not said.
    WrongSecret = 4500,
    /// A newer connection of the same athlete has taken over.
    Replaced = 4501,
    /// The session is closed.
    SessionClosed = 4502,
    /// Client and server have no protocol version in common.
    TooOld = 4503,
    /// As many devices of this role are connected as are allowed.
    RoleFull = 4504,
    /// Too many wrong codes, secrets or keys were tried on this connection.
    WrongTooOften = 4505,
    /// What is kept of the session cannot be read.
    Unreadable = 4506,
    /// Another device is heard in the athlete's seat; the person decides which of the two is used.
    SeatTaken = 4507,
}

/// What a client does when its connection was closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OnClose {
    /// Come back, with back-off and jitter.
    Reconnect,
    /// Stop and tell the person.
    Stop,
}

impl Close {
    /// The number on the wire.
    #[must_use]
    pub fn code(self) -> u16 {
        self as u16
    }

    /// One sentence for the person: what is wrong and what to do.
    #[must_use]
    pub fn reason(self) -> &'static str {
        match self {
            Close::GoingAway => "The server is going away; come back in a moment.",
            Close::Fault => "The server met a fault of its own; come back in a moment.",
            Close::Restart => "The server restarts; come back in a moment.",
            Close::TooSlow => "This connection could not keep up; come back in a moment.",
            Close::BrokenFrame => "A WebSocket frame was broken; update this program.",
            Close::NotUtf8 => "A text was not UTF-8; update this program.",
            Close::TooBig => "The message was too large; send smaller batches.",
            Close::NotText => "Only JSON text messages are understood here.",
            Close::TooMany => "Too many messages; send samples in batches.",
            Close::Silent => "Nothing was heard from this device; come back.",
            Close::RecordsLost => {
                "The server has lost records, and perhaps this link. Leave this open: what you rowed stays here. Tell whoever runs it."
            }
            Close::WrongSecret => {
                "This link opens nothing here: it is incomplete, expired, or a newer one took its place."
            }
            Close::Replaced => "You are connected from another device, which goes on.",
            Close::WrongTooOften => {
                "Too many wrong codes were tried here; ask your coach for the code, then try again."
            }
            Close::Unreadable => {
                "This session's records cannot be read; keep this open, and tell whoever runs the server: thole-server check, then salvage."
            }
            Close::SessionClosed => "This session is closed.",
            Close::TooOld => "This program is too old for the server; install the newest one.",
            Close::SeatTaken => {
                "Another device is connected in this seat; take the seat with this one, or go on with the other."
            }
            Close::RoleFull => {
                "All places for this kind of device are taken; close one of the others."
            }
        }
    }
}

/// What to do after any close code, including one that this version does not know; `None` = no close frame
/// came.
///
/// ```
/// use thole_protocol::close::{OnClose, advice};
/// assert_eq!(advice(Some(1012)), OnClose::Reconnect);
/// assert_eq!(advice(Some(4001)), OnClose::Reconnect);
/// assert_eq!(advice(Some(4500)), OnClose::Stop);
/// assert_eq!(advice(None), OnClose::Reconnect);
/// ```
#[must_use]
pub fn advice(code: Option<u16>) -> OnClose {
    match code {
        Some(1002 | 1003 | 1007..=1009 | 4500..=4999) => OnClose::Stop,
        // A lost connection, 1001, 1011 to 1013, 4000 to 4499, and codes that nobody has defined yet.
        Some(_) | None => OnClose::Reconnect,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6455 section 5.5: a control frame has at most 125 bytes, and two of a close frame are the code.
    #[test]
    fn each_reason_fits_into_a_close_frame() {
        let all = [
            Close::GoingAway,
            Close::Fault,
            Close::Restart,
            Close::TooSlow,
            Close::BrokenFrame,
            Close::NotUtf8,
            Close::TooBig,
            Close::NotText,
            Close::TooMany,
            Close::Silent,
            Close::RecordsLost,
            Close::WrongSecret,
            Close::Replaced,
            Close::WrongTooOften,
            Close::Unreadable,
            Close::SessionClosed,
            Close::TooOld,
            Close::SeatTaken,
            Close::RoleFull,
        ];
        for close in all {
            assert!(close.reason().len() <= 123, "{close:?}: {} bytes", close.reason().len());
        }
    }
}
