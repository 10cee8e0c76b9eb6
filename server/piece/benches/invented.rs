//! An invented class in an invented piece, as the core gets it: what the benches row.

use thole_piece::{Input, Session, standings::Entry};
use thole_protocol::{
    ids::{AthleteId, CallId, CommandId, RunId},
    order::Order,
    sample::Sample,
    spec::{
        Aim, AthleteSpec, Audience, CallSpec, CallText, Extent, PieceSpec, Plan, Repeat,
        RosterEntry, SessionSettings, Span, Target,
    },
    total::{Gap, Margin},
    units::{At, Decimetres, Millis, Ppm},
};
use uuid::Uuid;

/// The go, milliseconds of the session.
const GO: u64 = 20_000;
/// A stroke takes this long and goes this far, give or take what differs from one to the next.
const STROKE_MS: u64 = 2_310;
const STROKE_DM: i64 = 97;

/// One athlete of the class.
pub(crate) fn athlete(number: u32) -> AthleteId {
    AthleteId(Uuid::from_u128(0x7001 + u128::from(number)))
}

/// Everything up to the go of a piece of this many metres.
pub(crate) fn start(athletes: u32, metres: u32) -> Vec<(At, Input)> {
    let distance_dm = Decimetres(metres * 10);
    let work = Extent::Distance { distance_dm };
    let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    let entry = |number: u32| {
        let aim = Aim {
            target: Some(Target::Pace { per_500m_ms: Millis(112_000 + 37 * (number % 500)) }),
            plan: Plan::Even,
            history: Vec::new(),
        };
        let spec = AthleteSpec { name: format!("Rower {number:05}"), ..AthleteSpec::default() };
        (athlete(number), RosterEntry { spec, aims: vec![aim] })
    };
    let command = |number: u128| CommandId(Uuid::from_u128(number));
    let order = |number, order| Input::Ordered { command: command(number), order, by: None };
    let mut inputs = vec![
        (
            At(0),
            Input::Created { title: "Weir".into(), settings: SessionSettings::default(), by: None },
        ),
        (At(1), order(1, Order::SetPieces { pieces: vec![piece] })),
        (
            At(2),
            Input::AthletesAdded {
                command: command(2),
                athletes: (0..athletes).map(entry).collect(),
            },
        ),
    ];
    inputs.extend((0..athletes).map(|number| (At(3), Input::Heard { athlete: athlete(number) })));
    inputs.push((At(4), order(3, Order::Arm)));
    inputs.push((At(GO - 10_000), order(4, Order::Start)));
    inputs.extend((0..athletes).map(|number| (At(GO - 500), stroke(number, 0))));
    inputs.push((At(GO), Input::Deadline));
    inputs
}

/// Stroke 1, 2, 3 … of an athlete; 0 is the counters at rest, before the go.
pub(crate) fn stroke(number: u32, count: u32) -> Input {
    let heard = if count == 0 { GO - 500 } else { heard(number, count) };
    let distance_dm = i64::from(count) * STROKE_DM + i64::from(count * number % 7);
    let sample = Sample {
        seq: count + 1,
        heard_ms: i64::try_from(heard).unwrap(),
        distance_dm,
        elapsed_ms: Some(i64::try_from(heard.saturating_sub(GO)).unwrap()),
        strokes: Some(i64::from(count)),
        rate_half_spm: Some(52),
        power_w: Some(181),
    };
    let run = RunId(Uuid::from_u128(0x9000_0000 + u128::from(number)));
    Input::Samples { athlete: athlete(number), run, samples: vec![sample] }
}

/// A call to everybody that goes out at once.
pub(crate) fn call(number: u128) -> Input {
    let call = CallSpec {
        call: CallId(Uuid::from_u128(0xCA11_0000 + number)),
        text: CallText { shown: "Long reach".into(), spoken: String::new() },
        audience: Audience::All,
        span: Span::Strokes { strokes: 10 },
        grace_ms: Some(Millis(0)),
    };
    Input::Ordered {
        command: CommandId(Uuid::from_u128(0xC0_0000 + number)),
        order: Order::Call { call },
        by: None,
    }
}

/// When a stroke is heard.
pub(crate) fn heard(number: u32, count: u32) -> u64 {
    GO + u64::from(count) * STROKE_MS + u64::from(number % 997)
}

/// The class with this many strokes behind it.
pub(crate) fn rowing(athletes: u32, metres: u32, strokes: u32) -> Session {
    let mut session = Session::new();
    for (at, input) in start(athletes, metres) {
        session.apply(at, &input);
    }
    for count in 1..=strokes {
        row(&mut session, athletes, count);
    }
    session
}

/// Everybody rows one stroke, and each gets their own standing as in an acknowledgement.
pub(crate) fn row(session: &mut Session, athletes: u32, count: u32) {
    for number in 0..athletes {
        let at = At(heard(number, count));
        session.apply(at.max(session.now()), &stroke(number, count));
        std::hint::black_box(session.own(athlete(number)));
    }
}

/// This many athletes to be ranked, their margins different in each round.
pub(crate) fn entries(athletes: u32, round: u32) -> Vec<Entry<'static>> {
    let entry = |number: u32| {
        let mixed = number.wrapping_mul(2_654_435_761).rotate_left(round % 5) % 60_001;
        let ppm = i32::try_from(mixed).unwrap() - 30_000;
        Entry {
            athlete: athlete(number),
            name: "Rower",
            team: Some(["Herons", "Otters", "Newts"][number as usize % 3]),
            margin: Some(Margin { margin_ppm: Ppm(ppm), gap: Gap::Time(i64::from(ppm)) }),
            was: None,
            instead: None,
        }
    };
    (0..athletes).map(entry).collect()
}
