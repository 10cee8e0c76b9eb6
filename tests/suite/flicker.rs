//! The order on the screens is calm and never contradicts the numbers beside it: recorded classes are rowed through the
//! core, and every picture that screens get is looked at.

use std::{collections::BTreeMap, fs::File, io::Read};

use flate2::read::GzDecoder;
use serde_json::Value;
use thole_piece::{
    Input, Output, Session,
    picture::{Picture, STANDS},
    session::Viewer,
};
use thole_protocol::{
    ids::{AthleteId, CommandId, RunId},
    order::Order,
    sample::Sample,
    spec::{
        Aim, AthleteSpec, Extent, PastResult, PieceSpec, Plan, Repeat, RosterEntry,
        SessionSettings, Target,
    },
    standing::Phase,
    total::Total,
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

const REHEARSAL: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/journals/rehearsal/pieces.jsonl.gz");
/// The go: everybody is in the roster and the countdown is over.
const GO: u64 = 13_000;

/// Nobody can follow more on one screen (our choice), changes of place per minute.
const CHANGES_MAX: f64 = 63.0;

/// Everybody of a group, as recorded.
fn groups() -> BTreeMap<String, Vec<Value>> {
    let mut plain = String::new();
    GzDecoder::new(File::open(REHEARSAL).unwrap()).read_to_string(&mut plain).unwrap();
    let mut groups: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    for line in plain.lines() {
        let athlete: Value = serde_json::from_str(line).unwrap();
        groups.entry(athlete["group"].as_str().unwrap().to_owned()).or_default().push(athlete);
    }
    groups
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "rows are small")]
fn thousandths(value: &Value, scale: f64) -> u32 {
    (value.as_f64().unwrap() * scale).round() as u32
}

fn aim(athlete: &Value) -> Aim {
    let amount = |value: &Value| match athlete["kind"].as_str() {
        Some("distance") => Target::Finish { finish_ms: Millis(thousandths(value, 1e3)) },
        _ => Target::Distance { distance_dm: Decimetres(thousandths(value, 1e1)) },
    };
    let speeds = athlete["plan_speed"].as_array().unwrap();
    let history = athlete["history"].as_array().unwrap();
    Aim {
        target: Some(amount(&athlete["target"])),
        plan: Plan::Speeds { speeds_ppm: speeds.iter().map(|s| thousandths(s, 1e6)).collect() },
        history: history
            .iter()
            .map(|past| PastResult {
                days_ago: thousandths(&past[0], 1.0),
                result: amount(&past[1]),
            })
            .collect(),
    }
}

fn athlete(number: usize) -> AthleteId {
    AthleteId(Uuid::from_u128(number as u128 + 1))
}

/// A class that is being rowed, and the places that were published: when, and whose.
struct Class {
    session: Session,
    picture: Picture,
    pictures: usize,
    places: BTreeMap<AthleteId, Vec<(u64, u32)>>,
    orders: u128,
}

impl Class {
    fn at(&mut self, at: u64, input: &Input) {
        while let Some(due) = self.session.deadline().filter(|due| due.0 <= at) {
            let outputs = self.session.apply(due, &Input::Deadline);
            self.look(due.0, &outputs);
        }
        let outputs = self.session.apply(At(at), input);
        self.look(at, &outputs);
    }

    fn order(&mut self, at: u64, order: Order) {
        self.orders += 1;
        let command = CommandId(Uuid::from_u128(self.orders));
        self.at(at, &Input::Ordered { command, order, by: None });
    }

    fn look(&mut self, at: u64, outputs: &[Output]) {
        if !outputs.contains(&Output::Published) {
            return;
        }
        let view = self.session.view(Viewer::Board);
        // Only while all are rowing: at the finish, places are results.
        if !view.pieces.iter().any(|piece| matches!(piece.phase, Phase::Rowing { .. })) {
            return;
        }
        let before = self.picture.standings().drawn_at_ms;
        self.session.show(&mut self.picture, 1);
        let shown = self.picture.standings();
        if shown.drawn_at_ms == before {
            return;
        }
        self.pictures += 1;
        let ranked: Vec<(u32, i32)> = shown
            .lines
            .iter()
            .filter_map(|line| Some((line.place?, line.margin?.margin_ppm.0 / 1_000)))
            .collect();
        for pair in ranked.windows(2) {
            let [(place, margin), (next, other)] = pair else { unreachable!() };
            assert!(margin >= other && (margin == other) == (place == next), "at {at}: {ranked:?}");
        }
        for line in &shown.lines {
            if let Some(place) = line.place {
                self.places.entry(line.athlete).or_default().push((at, place));
            }
        }
    }
}

/// A group that has rowed all that was recorded of it.
fn rowed(members: &[Value]) -> Class {
    let mut class = Class {
        session: Session::new(),
        picture: Picture::default(),
        pictures: 0,
        places: BTreeMap::new(),
        orders: 0,
    };
    let (title, settings) = ("Recorded".to_owned(), SessionSettings::default());
    class.at(0, &Input::Created { title, settings, by: None });
    let size = &members[0]["rep_size"];
    let work = match members[0]["kind"].as_str() {
        Some("distance") => Extent::Distance { distance_dm: Decimetres(thousandths(size, 1e1)) },
        _ => Extent::Time { time_ms: Millis(thousandths(size, 1e3)) },
    };
    let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
    class.order(1, Order::SetPieces { pieces: vec![piece] });
    let entry = |(number, member): (usize, &Value)| {
        let spec = AthleteSpec { name: format!("Athlete {number}"), ..AthleteSpec::default() };
        (athlete(number), RosterEntry { spec, aims: vec![aim(member)] })
    };
    let athletes = members.iter().enumerate().map(entry).collect();
    class.at(2, &Input::AthletesAdded { command: CommandId(Uuid::from_u128(900)), athletes });
    for number in 0..members.len() {
        class.at(3, &Input::Heard { athlete: athlete(number) });
    }
    class.order(2_000, Order::Arm);
    class.order(3_000, Order::Start);
    let mut rows: Vec<(u64, usize, u32, u32)> = Vec::new();
    for (number, member) in members.iter().enumerate() {
        // In order of arrival; a row that was late is heard together with the row before it.
        let mut heard = 0;
        for row in member["samples"].as_array().unwrap() {
            let (ms, dm) = (thousandths(&row[0], 1e3), thousandths(&row[1], 1e1));
            heard = heard.max(u64::from(ms));
            rows.push((GO + heard, number, ms, dm));
        }
    }
    rows.sort_by_key(|row| (row.0, row.1));
    let mut seqs = vec![0; members.len()];
    for (at, number, ms, dm) in rows {
        seqs[number] += 1;
        let sample = Sample {
            seq: seqs[number],
            heard_ms: i64::try_from(GO).unwrap() + i64::from(ms),
            distance_dm: i64::from(dm),
            elapsed_ms: Some(i64::from(ms)),
            ..Sample::default()
        };
        let run = RunId(Uuid::from_u128(number as u128 + 1));
        class.at(at, &Input::Samples { athlete: athlete(number), run, samples: vec![sample] });
    }
    class
}

#[test]
fn the_board_does_not_flicker() {
    let (mut looked, mut changes, mut undone) = (0, 0, 0);
    for (group, members) in groups() {
        // A single stretch of work: in rests everything stands still.
        if members[0]["reps"] != 1 || members.len() < 6 {
            continue;
        }
        looked += 1;
        let class = rowed(&members);
        let mut of_class = 0;
        for places in class.places.values() {
            let changed: Vec<(u64, u32, u32)> = places
                .windows(2)
                .filter(|pair| pair[0].1 != pair[1].1)
                .map(|pair| (pair[1].0, pair[0].1, pair[1].1))
                .collect();
            assert!(!places.is_empty(), "somebody of {group} was never placed");
            of_class += changed.len();
            undone += changed
                .iter()
                .enumerate()
                .filter(|(at, (when, from, _))| {
                    changed[at + 1..]
                        .iter()
                        .any(|(then, _, to)| then - when <= 15_000 && to == from)
                })
                .count();
        }
        // While it is rowed: from its first picture to its last.
        let minutes = class.pictures as f64 * f64::from(STANDS.0) / 60e3;
        let a_minute = of_class as f64 / minutes;
        assert!(a_minute <= CHANGES_MAX, "{group}: {a_minute:.0} changes of place a minute");
        changes += of_class;
    }
    assert!(looked >= 8 && changes > 100, "{looked} classes, {changes} changes: too few to tell");
    assert!(undone * 5 < changes, "{undone} of {changes} changes were undone within 15 s");
}

/// Somebody who is heard and makes no stroke may still row on: the range reaches further on the slower side,
/// second by second, until the stop counts as one.
#[test]
fn a_pause_makes_the_range_reach_further() {
    let mut member = groups()["g000"][0].clone();
    assert_eq!(member["kind"], "distance");
    member["samples"].as_array_mut().unwrap().truncate(60);
    let mut class = rowed(&[member]);
    let last = class.session.now().0;
    let mut range = |after: u64| {
        class.at(last + after, &Input::Deadline);
        class.session.overview().standings.lines[0].projected.map(|seen| (seen.low, seen.high))
    };
    let (Some(rowing), Some(pausing), stopped) = (range(2_500), range(10_500), range(20_000))
    else {
        panic!("no range is shown");
    };
    let ms = |target| match target {
        Total::Time { finish_ms } => finish_ms.0,
        Total::Distance { .. } => panic!("a piece by distance"),
    };
    assert_eq!(rowing.0, pausing.0, "nobody gets faster by a pause");
    assert!((6_000..12_000).contains(&(ms(pausing.1) - ms(rowing.1))), "{rowing:?}, {pausing:?}");
    assert_eq!(stopped, None, "of who has stopped, nothing is shown");
}
