//! What reaches a host: what connections say, and what it is opened with.

use thole_piece::Input;
use thole_protocol::{
    client_msg::{
        AddAthletes, Hello, Join, LetIn, LetInAll, NewBoardLink, NewCoachLink, NewLink,
        TableQuestion, TakeCommand, TurnAway,
    },
    club::PersonId,
    ids::{CoachId, CommandId, DeviceId, JoinCode, RequestId, SessionId},
    order::{GivenBy, Order},
    units::At,
};

use crate::{
    members::ConnId,
    moment::Moment,
    record::{Damage, Holder},
    secret::SecretHash,
};

/// What a host is told at the beginning.
#[derive(Clone, Debug)]
pub struct Setup {
    /// Athletes in the session, at most.
    pub athletes: usize,
    /// Devices of the coach, at most.
    pub coaches: usize,
    /// Boards, at most.
    pub boards: usize,
    /// How many times as fast as real time the session's clock runs.
    pub speed: u32,
    /// Of the program, for its pages.
    pub build: String,
    /// The name of the journal's current life.
    pub epoch: String,
    /// Which session.
    pub session: SessionId,
    /// What athletes join with.
    pub code: JoinCode,
    /// When it was made, on the wall clock.
    pub created_unix_ms: u64,
}

/// What a connection says to its session.
#[derive(Clone, Debug)]
pub enum Said {
    /// A connection whose secret was found valid.
    Hello(Box<Greeting>),
    /// An input of a connection, as its role allows.
    Input {
        /// Which connection.
        conn: ConnId,
        /// What.
        input: Input,
        /// Its length as it was said.
        bytes: usize,
        /// The command under which an athlete wants to be answered.
        command: Option<CommandId>,
    },
    /// An order that came another way than by a connection: whoever gave it may, and nobody need be in command for it.
    Order {
        /// By what it is answered; no connection has this number.
        asker: ConnId,
        /// Said twice, done once.
        command: CommandId,
        /// What to do.
        order: Order,
        /// Which coach of the club gave it.
        by: Option<GivenBy>,
    },
    /// The coach adds athletes.
    Add(ConnId, AddAthletes),
    /// The coach wants a new secret for an athlete.
    Link(ConnId, NewLink),
    /// The coach wants a new secret for boards.
    BoardLink(ConnId, NewBoardLink),
    /// The coach wants a new secret for the coach's devices.
    CoachLink(ConnId, NewCoachLink),
    /// The coach lets in somebody who asks.
    LetIn(ConnId, LetIn),
    /// The coach lets in everybody who asks for a seat of the list.
    LetInAll(ConnId, LetInAll),
    /// The coach does not let in somebody who asks.
    TurnAway(ConnId, TurnAway),
    /// A device of the coach takes command.
    Take(ConnId, TakeCommand),
    /// A device of the coach asks for the table of results.
    Table(ConnId, TableQuestion),
    /// Somebody joins by code; with a key, as a person whom the club knows.
    Join(ConnId, Join, Option<Owner>),
    /// Keys of the club were ended, and with them what they have opened.
    KeysEnded {
        /// No connection has this number.
        asker: ConnId,
        /// Said twice, done once.
        command: CommandId,
        /// Whose.
        of: KeysOf,
    },
    /// The connection that waits for the coach's word has ended, or asks for something else.
    WaitsNoMore(ConnId, RequestId, NoMore),
    /// Nothing was heard from a connection for a while.
    Silent(ConnId, At),
    /// Something is heard again.
    HeardAgain(ConnId),
    /// A connection has ended; it was last heard at this instant.
    Left(ConnId, At),
}

/// Whose keys of the club.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeysOf {
    /// Of somebody who rows: whoever is in their seat comes in anew, if they still may.
    Person(PersonId),
    /// Of a device of the hall: whoever sits at it goes.
    Hall(DeviceId),
    /// Of a coach: whoever leads by them goes, and the coach link of a session that they made opens nothing any more.
    Coach(CoachId),
}

/// Whose device it is that joins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Owner {
    /// Somebody's who rows.
    Person {
        /// Who.
        person: PersonId,
        /// As the club calls them.
        called: String,
    },
    /// The hall's: whoever sits at it takes a seat of the list, for this session.
    Hall(DeviceId),
}

/// Why somebody no longer waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoMore {
    /// The connection is lost: the request stays for when they come back.
    Lost,
    /// They ask for something else.
    Withdrawn,
}

/// A connection that comes to its session.
#[derive(Clone, Debug)]
pub struct Greeting {
    /// Its number.
    pub conn: ConnId,
    /// When its secret was looked up.
    pub asked: Moment,
    /// As whom.
    pub holder: Holder,
    /// What its secret is known by.
    pub opens: SecretHash,
    /// The coach of the club whose key it is; `None` of whoever has the session's own link.
    pub by: Option<GivenBy>,
    /// What it said.
    pub hello: Hello,
}

/// What a session that was used before is opened with.
#[derive(Debug, Default)]
pub struct Reopening {
    /// By how much its clock was wrong and has been set, and how many devices said so; `None` when it was not
    /// checked.
    pub clock: Option<(Option<i64>, u8)>,
    /// What was found damaged.
    pub damage: Vec<Damage>,
    /// What projections have learnt since, if it differs from what the session has.
    pub model: Option<Input>,
}
