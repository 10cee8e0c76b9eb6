//! The invented class: who they are, what they can do, and what goes wrong for them.

use thole::{
    athlete::AthleteConfig,
    own_aim::OwnAim,
    rower::{Build, Machine},
    seat::Drop,
    socket::Dial,
    wording,
};
use thole_protocol::{
    ids::CallId,
    spec::{
        Aim, AthleteSpec, Audience, CallSpec, CallText, PieceSpec, Plan, RosterEntry,
        SessionSettings, Span, Target,
    },
    units::{Bpm, Millis},
};
use uuid::Uuid;

/// What the session is called.
pub(super) const TITLE: &str = "Wednesday at Lantern Quay";
/// Makes the evening the same each time.
pub(super) const SEED: u64 = 1_709;
/// The piece.
const PIECE: &str = "5x450m/1:10";

/// Where somebody rows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Where {
    /// In the room.
    Room,
    /// At home, over a poor connection: lost this long after the go, for this long, in seconds.
    Home(&'static [(u32, u32)]),
}

/// How the evening goes for somebody.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Goes {
    Well,
    /// Loses this share of the speed by the end.
    Fades(f64),
    /// Stops at this share of the work.
    Stops(f64),
}

/// One athlete of the class.
#[derive(Debug)]
pub(super) struct Athlete {
    name: &'static str,
    team: &'static str,
    /// Target: mean pace of the work.
    pace: &'static str,
    plan: &'static str,
    rate_spm: f64,
    machine: Machine,
    place: Where,
    goes: Goes,
}

const fn athlete(
    name: &'static str,
    team: &'static str,
    (pace, plan, rate_spm): (&'static str, &'static str, f64),
) -> Athlete {
    let (machine, place, goes) = (Machine::Stroke, Where::Room, Goes::Well);
    Athlete { name, team, pace, plan, rate_spm, machine, place, goes }
}

/// Everybody, from the quickest to the one who has most time to think.
pub(super) static ATHLETES: [Athlete; 12] = [
    athlete("Juno Marsh", "Heron", ("1:42.5", "fast_start", 33.0)),
    athlete("Pavel Orr", "Otter", ("1:49", "fast_start", 31.0)),
    Athlete { goes: Goes::Fades(0.06), ..athlete("Ife Calder", "Heron", ("1:53.5", "even", 30.0)) },
    Athlete {
        machine: Machine::Second,
        ..athlete("Tam Lindqvist", "Otter", ("1:58", "even", 28.0))
    },
    athlete("Rosa Whin", "Heron", ("2:03.5", "negative_split", 27.0)),
    Athlete {
        place: Where::Home(&[(75, 9), (430, 24)]),
        ..athlete("Dov Brandt", "Otter", ("2:09", "even", 27.0))
    },
    athlete("Mika Aro", "Heron", ("2:14", "even", 26.0)),
    Athlete {
        goes: Goes::Stops(0.55),
        machine: Machine::Second,
        ..athlete("Cass Holloway", "Otter", ("2:20", "fast_start", 25.0))
    },
    athlete("Nell Fairlie", "Heron", ("2:27.5", "even", 24.0)),
    Athlete {
        place: Where::Home(&[(140, 13), (390, 7), (700, 18)]),
        machine: Machine::Second,
        ..athlete("Hugh Tarn", "Otter", ("2:36", "negative_split", 23.0))
    },
    athlete("Bibi Okonjo", "Heron", ("2:48", "even", 22.0)),
    athlete("Old Sam Reedy", "Otter", ("3:05", "even", 20.0)),
];

/// The seat that is free for whoever looks at the demo.
const GUEST: &str = "Guest";

impl Athlete {
    /// How they row: not quite as they hoped, some a little better and some a little worse.
    pub(super) fn build(&self) -> Build {
        let mut build = Build::steady(self.seed(), Millis(130_000));
        build.rate_spm = self.rate_spm;
        build.machine = self.machine;
        build.heart = true;
        match self.goes {
            Goes::Well => {}
            Goes::Fades(share) => build.fades_by = share,
            Goes::Stops(share) => build.stops_at = Some(share),
        }
        build
    }

    fn seed(&self) -> u64 {
        let mix = |seed: u64, byte: u8| seed.wrapping_mul(31).wrapping_add(u64::from(byte));
        self.name.bytes().fold(SEED, mix)
    }

    /// What their device says of them.
    pub(super) fn config(&self, dial: Dial, secret: String, speed: u32) -> AthleteConfig {
        let at = match self.place {
            Where::Room => "in the room",
            Where::Home(_) => "at home",
        };
        AthleteConfig {
            dial,
            secret,
            take_seat: false,
            speed,
            cautions_read: true,
            machine: Some(format!("simulated, {at}")),
            share_heart_rate: self.place == Where::Room,
            aim: OwnAim::default(),
            today: None,
            seed: self.seed(),
        }
    }

    /// When their connection is lost.
    pub(super) fn drops(&self) -> Vec<Drop> {
        match self.place {
            Where::Room => Vec::new(),
            Where::Home(drops) => drops
                .iter()
                .map(|&(after_s, lasts_s)| Drop {
                    after_go: Millis(after_s * 1_000),
                    lasts: Millis(lasts_s * 1_000),
                })
                .collect(),
        }
    }

    fn entry(&self) -> Result<RosterEntry, String> {
        let aim = Aim {
            target: Some(Target::Pace { per_500m_ms: wording::duration(self.pace)? }),
            plan: wording::plan(self.plan)?,
            history: Vec::new(),
        };
        let spec = AthleteSpec {
            name: self.name.into(),
            team: Some(self.team.into()),
            heart_limit_bpm: Some(Bpm(188)),
        };
        Ok(RosterEntry { spec, aims: vec![aim] })
    }
}

/// What they are called, in their order.
pub(super) fn names() -> impl Iterator<Item = &'static str> {
    ATHLETES.iter().map(|athlete| athlete.name)
}

/// The mean pace that one of them hopes for tonight.
///
/// # Errors
/// Nobody is called so.
pub(super) fn pace_of(name: &str) -> Result<Millis, String> {
    let found = ATHLETES.iter().find(|athlete| athlete.name == name);
    wording::duration(found.ok_or("Nobody of the class is called so.")?.pace)
}

/// The class in order, followed by the free seat.
pub(super) fn roster() -> Result<Vec<RosterEntry>, String> {
    let guest = AthleteSpec { name: GUEST.into(), ..AthleteSpec::default() };
    let guest = RosterEntry { spec: guest, aims: vec![Aim { plan: Plan::Even, ..Aim::default() }] };
    ATHLETES.iter().map(Athlete::entry).chain([Ok(guest)]).collect()
}

/// Five of each team count.
pub(super) fn settings() -> SessionSettings {
    SessionSettings { team_best: 5, ..SessionSettings::default() }
}

/// The piece and its call sheet.
pub(super) fn piece() -> Result<PieceSpec, String> {
    let mut piece = PieceSpec::of(wording::repeats(PIECE)?);
    piece.title = "Lantern five".into();
    for entry in [
        "150m: Settle / Let the rate come down and keep the length for 10 strokes",
        "1050m: Sit tall / Tall at the catch, loose in the shoulders for 8 strokes",
        "last 300m: Your own race / Look at your own number and nobody else's",
    ] {
        piece.call_sheet.push(wording::sheet_call(entry)?);
    }
    Ok(piece)
}

/// A call that the coach sends when the moment comes.
pub(super) struct Call {
    text: CallText,
    audience: Audience,
    span: Span,
}

impl Call {
    pub(super) fn spec(self) -> CallSpec {
        CallSpec {
            call: CallId(Uuid::new_v4()),
            text: self.text,
            audience: self.audience,
            span: self.span,
            grace_ms: None,
        }
    }
}

/// The coach's calls, each this long after the first go.
pub(super) fn calls() -> Vec<(Millis, Call)> {
    let call = |shown: &str, spoken: &str, audience, span| Call {
        text: CallText { shown: shown.into(), spoken: spoken.into() },
        audience,
        span,
    };
    let team = |team: &str| Audience::Team { team: team.into() };
    let strokes = |strokes| Span::Strokes { strokes };
    vec![
        (
            Millis(60_000),
            call("Long and loose", "Long at the front, loose hands", Audience::All, strokes(10)),
        ),
        (
            Millis(250_000),
            call("Push with legs", "Hang on the handle and push", Audience::Behind, strokes(8)),
        ),
        (
            Millis(470_000),
            call(
                "Heron: together",
                "Herons, one calm rhythm",
                team("Heron"),
                Span::Time { time_ms: Millis(25_000) },
            ),
        ),
        (
            Millis(690_000),
            call("Breathe out", "Breathe out all the way at the catch", Audience::All, Span::Next),
        ),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_class_is_as_it_is_told() {
        let paces: Vec<Millis> =
            ATHLETES.iter().map(|a| wording::duration(a.pace).unwrap()).collect();
        assert!(paces.is_sorted() && paces[0] < Millis(103_000) && paces[11] == Millis(185_000));
        let home = |a: &&Athlete| !a.drops().is_empty();
        assert_eq!(ATHLETES.iter().filter(home).count(), 2);
        assert_eq!(roster().unwrap().len(), 13);
        assert_eq!(piece().unwrap().call_sheet.len(), 3);
        for (_, call) in calls() {
            assert!(
                call.text.shown.chars().count() <= 18 || call.text.shown.split(' ').count() <= 3
            );
        }
    }
}
