//! What is told, and to whom: by connection number.

use thole_piece::projection::{Count, Width};
use thole_protocol::{
    ServerMsg,
    close::Close,
    ids::{AthleteId, PieceNo, RequestId},
    refusal::{Refusal, Why},
    server_msg::{Joined, Waiting},
};
use tungstenite::Utf8Bytes;

use crate::members::ConnId;

/// Where it goes. A number that nobody has any more is told nothing.
pub trait Outbound {
    /// One thing for one connection; what is told to one arrives in this order.
    fn tell(&mut self, to: ConnId, told: Delivery<'_>);

    /// Something for whoever runs the server.
    fn remark(&mut self, remark: Remark);
}

/// One thing for one connection.
#[derive(Debug)]
pub enum Delivery<'a> {
    /// The first message to a connection that has been let in.
    Welcome(Utf8Bytes),
    /// A message that many share.
    Shared(&'a Utf8Bytes),
    /// A message for this one alone.
    Own(&'a str),
    /// What was said is refused; it counts against whoever has too much refused.
    Refused(&'a str),
    /// Takes the place of a message of its kind that is still waiting to be sent.
    State(Utf8Bytes),
    /// What happened while it was away.
    Missed(&'a [Utf8Bytes]),
    /// It has to go.
    Close(Close),
    /// The answer to `join`.
    Entrance(Result<Entrance, Refusal>),
    /// What the coach has decided about a request.
    Decided(Result<Joined, Refusal>),
    /// What became of an order; it is durable.
    Ordered(Result<(), Refusal>),
}

/// What somebody who joins is told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entrance {
    /// The seat is theirs.
    Open(Joined),
    /// The coach is asked.
    Asked {
        /// Which request it is.
        request: RequestId,
        /// What to say in the meantime.
        waiting: Waiting,
    },
}

/// Something for whoever runs the server.
#[derive(Clone, Debug, PartialEq)]
pub enum Remark {
    /// Something was refused.
    Refused(Why),
    /// A piece is over.
    PieceOver {
        /// Which.
        piece: PieceNo,
        /// By order of the coach, before its end.
        stopped: bool,
        /// How many finished.
        results: usize,
    },
    /// How projections have turned out, for the sessions to come.
    Counted(Count, Width),
    /// A record of a piece is not what its strokes give.
    SettledDiffers {
        /// Which piece.
        piece: PieceNo,
        /// Which of its records.
        revision: u32,
        /// What is different.
        what: String,
    },
    /// The journal has lost strokes that it had acknowledged; the device sends them again.
    LostStrokes {
        /// Whose.
        athlete: AthleteId,
        /// The last number that is here.
        there: u32,
        /// The last number that was acknowledged.
        acknowledged: u32,
    },
}

/// A message as it is sent.
///
/// # Panics
/// Never: no message holds a map whose keys are not text, which is all that JSON cannot express.
#[must_use]
pub fn text(msg: &ServerMsg) -> Utf8Bytes {
    serde_json::to_string(msg).expect("every message can be written as JSON").into()
}

/// Says one message to one connection.
pub(crate) fn say(out: &mut dyn Outbound, to: ConnId, msg: &ServerMsg) {
    let text = text(msg);
    let counts = matches!(msg, ServerMsg::Refused { .. });
    out.tell(to, if counts { Delivery::Refused(&text) } else { Delivery::Own(&text) });
}
