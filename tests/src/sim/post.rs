//! What goes between devices and the server, and who they are.

use thole::chance::Chance;
use thole_host::{ConnId, Entrance, Outbound, Remark};
use thole_protocol::{
    ServerMsg,
    client_msg::{Hello, Role},
    close::Close,
    ids::{DeviceId, EventNo, RunId},
    refusal::Refusal,
    server_msg::Joined,
    units::At,
};
use uuid::Uuid;

/// Devices that find no server try again within this time.
const TRIES_AGAIN_MS: u64 = 4_000;

/// Whose device it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Who {
    /// An athlete's, by number.
    Athlete(usize),
    /// That of somebody who comes under the name of that athlete.
    Double(usize),
    /// That of somebody who has an old link of that athlete.
    OldLink(usize),
    /// The coach's.
    Coach,
    /// The coach's second one.
    Assistant,
    /// The board.
    Board,
}

impl Who {
    /// What the device calls itself.
    pub(super) fn device(self) -> DeviceId {
        DeviceId(Uuid::from_u128(0xde00_0000 + u128::from(self.number())))
    }

    /// Whether a connection belongs to somebody who comes under somebody else's name.
    pub(super) fn is_double(conn: ConnId) -> bool {
        Who::number_of(conn).is_some_and(|number| number % 3 == 1)
    }

    /// Whether a connection belongs to somebody who has an old link.
    pub(super) fn is_old_link(conn: ConnId) -> bool {
        Who::number_of(conn).is_some_and(|number| number % 3 == 2)
    }

    /// From 0, three for each athlete.
    fn number_of(conn: ConnId) -> Option<u64> {
        (conn.0 & 0xffff).checked_sub(Who::ATHLETES)
    }

    /// The number of the first athlete's.
    const ATHLETES: u64 = 18;

    fn number(self) -> u64 {
        match self {
            Who::Coach => 0,
            Who::Assistant => 1,
            Who::Board => 2,
            Who::Athlete(who) => Who::ATHLETES + 3 * who as u64,
            Who::Double(who) => Who::ATHLETES + 1 + 3 * who as u64,
            Who::OldLink(who) => Who::ATHLETES + 2 + 3 * who as u64,
        }
    }
}

/// One thing on its way to the server.
#[derive(Clone, Debug)]
pub(super) struct Letter {
    pub(super) conn: ConnId,
    pub(super) said: Said,
}

/// What reaches the server.
#[derive(Clone, Debug)]
pub(super) enum Said {
    /// A new connection.
    Hello(Hello),
    /// Anything else.
    Now(thole_host::Said),
    /// The same, from a connection that is gone; it was under way.
    Late(thole_host::Said),
}

/// What the server tells one connection.
#[derive(Clone, Debug)]
pub(super) enum Told {
    Msg(Box<ServerMsg>),
    Close(Close),
    Entrance(Result<Entrance, Refusal>),
    Decided(Result<Joined, Refusal>),
}

/// The connections of one device, one after another, and what it knows of the session's time.
#[derive(Clone, Debug)]
pub(super) struct Dial {
    pub(super) who: Who,
    count: u64,
    /// How far the session's clock is ahead of the world's, as the last welcome said.
    ahead_ms: Option<i64>,
}

impl Dial {
    pub(super) fn new(who: Who) -> Dial {
        Dial { who, count: 0, ahead_ms: None }
    }

    /// The newest; what comes on an older one is no longer heard.
    pub(super) fn conn(&self) -> ConnId {
        ConnId(self.count << 16 | self.who.number())
    }

    pub(super) fn again(&mut self) -> ConnId {
        self.count += 1;
        self.conn()
    }

    /// A welcome tells the time.
    pub(super) fn welcomed(&mut self, now: u64, at: At) {
        self.ahead_ms = Some(signed(at.0) - signed(now));
    }

    /// The session's time, as this device has it.
    pub(super) fn session(&self, now: u64) -> At {
        At(now.saturating_add_signed(self.ahead_ms.unwrap_or(0)))
    }

    /// The world's time at an instant of the session, as this device has it.
    pub(super) fn world(&self, at: At) -> u64 {
        at.0.saturating_add_signed(-self.ahead_ms.unwrap_or(0))
    }

    /// When a device that has found no server tries again: some soon, some late.
    pub(super) fn tries_again(&self, now: u64) -> u64 {
        let seed = now.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ self.who.number();
        now + 200 + Chance::seeded(seed).below(TRIES_AGAIN_MS)
    }

    /// Says hello on a new connection; a recording comes with the last number that was acknowledged.
    pub(super) fn hello(
        &mut self,
        now: u64,
        role: Role,
        secret: &str,
        run: Option<(RunId, u32)>,
        last_event: EventNo,
    ) -> Letter {
        let (version_min, version_max) = (thole_protocol::VERSION, thole_protocol::VERSION);
        let said = Said::Hello(Hello {
            version_min,
            version_max,
            role,
            secret: secret.to_owned(),
            code: None,
            run: run.map(|(run, _)| run),
            at_ms: self.ahead_ms.map(|_| self.session(now)),
            unacked_seq: run.map(|(_, acked)| acked + 1),
            device: Some(self.who.device()),
            take_seat: false,
            last_event,
        });
        Letter { conn: self.again(), said }
    }
}

pub(super) fn signed(ms: u64) -> i64 {
    i64::try_from(ms).unwrap_or(i64::MAX)
}

/// Random bits from a seed, where the server has those of its system.
#[derive(Clone, Debug)]
pub(super) struct Bits(pub(super) Chance);

impl thole_host::RandomBits for Bits {
    fn fill(&mut self, bytes: &mut [u8]) {
        for eight in bytes.chunks_mut(8) {
            let bits = self.0.bits().to_le_bytes();
            eight.copy_from_slice(bits.get(..eight.len()).unwrap_or(&[]));
        }
    }
}

/// What is told in one turn, as it goes over the wire.
pub(super) struct Post {
    seed: u64,
    pub(super) told: Vec<(ConnId, Told)>,
    pub(super) remarks: Vec<Remark>,
    /// In how many messages the events that a connection had missed were told.
    pub(super) missed: usize,
}

impl Post {
    pub(super) fn new(seed: u64) -> Post {
        Post { seed, told: Vec::new(), remarks: Vec::new(), missed: 0 }
    }

    fn msg(&mut self, to: ConnId, text: &str) {
        let msg: ServerMsg = serde_json::from_str(text)
            .unwrap_or_else(|error| panic!("seed {}: {error}: {text}", self.seed));
        self.told.push((to, Told::Msg(Box::new(msg))));
    }
}

impl Outbound for Post {
    fn tell(&mut self, to: ConnId, told: thole_host::Delivery<'_>) {
        use thole_host::Delivery as Host;
        match told {
            Host::Welcome(text) => self.msg(to, &text),
            Host::Shared(text) => self.msg(to, text),
            Host::Own(text) | Host::Refused(text) => self.msg(to, text),
            Host::Missed(texts) => {
                self.missed += texts.len();
                texts.iter().for_each(|text| self.msg(to, text));
            }
            // Nobody here looks at a screen.
            Host::State(_) => {}
            // Whoever orders another way gives the order again if it was lost.
            Host::Ordered(_) => {}
            Host::Close(why) => self.told.push((to, Told::Close(why))),
            Host::Entrance(entrance) => self.told.push((to, Told::Entrance(entrance))),
            Host::Decided(decided) => self.told.push((to, Told::Decided(decided))),
        }
    }

    fn remark(&mut self, remark: Remark) {
        self.remarks.push(remark);
    }
}

/// Takes from a list what has come by now.
pub(super) fn arriving<T>(under_way: &mut Vec<(u64, T)>, now: u64) -> Vec<T> {
    let all = std::mem::take(under_way);
    let (come, later): (Vec<_>, Vec<_>) = all.into_iter().partition(|(at, _)| *at <= now);
    *under_way = later;
    come.into_iter().map(|(_, one)| one).collect()
}
