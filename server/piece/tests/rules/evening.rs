//! One evening with two pieces, told as everybody hears it, line by line: whoever changes a line has to say why
//! that is right.

use std::fmt::Write;

use expect_test::expect_file;
use thole_piece::{Input, Output, session::Viewer};
use thole_protocol::{
    ids::{CallId, EventNo},
    order::Order,
    sample::Reading,
    spec::{
        AthleteSpec, Audience, CallSpec, Joining, PieceSpec, Point, Ranking, Repeat,
        SessionSettings, SheetCall, Span, Target,
    },
    units::{At, Bpm, Decimetres, Millis},
};
use uuid::Uuid;

use super::gym::{Gym, finish, metres, piece, seconds, text};

const GO: u64 = super::gym::GO;

fn sheet(at: Point, shown: &str, audience: Audience, span: Span) -> SheetCall {
    SheetCall { at, text: text(shown), audience, span }
}

fn pieces() -> Vec<PieceSpec> {
    let repeat = Repeat { work: metres(300), rest_ms: Millis(40_000) };
    let mut first = PieceSpec::of(vec![repeat; 2]);
    first.title = "Two short ones".into();
    let herons = Audience::Team { team: "Herons".into() };
    first.call_sheet = vec![
        sheet(
            Point::DistanceDone { distance_dm: Decimetres(1_000) },
            "Settle",
            Audience::All,
            Span::Strokes { strokes: 10 },
        ),
        sheet(Point::DistanceToGo { distance_dm: Decimetres(1_500) }, "Push", herons, Span::Next),
        sheet(
            Point::Elapsed { time_ms: Millis(90_000) },
            "Sit tall",
            Audience::Behind,
            Span::Time { time_ms: Millis(20_000) },
        ),
    ];
    let mut second = piece(seconds(120));
    second.call_sheet = vec![sheet(
        Point::Stroke { number: 80 },
        "Nearly home",
        Audience::Picked { athletes: vec![Gym::athlete(1)] },
        Span::Next,
    )];
    vec![first, second]
}

fn call(number: u128, shown: &str, audience: Audience, span: Span) -> Order {
    let call = CallId(Uuid::from_u128(0xc0 + number));
    Order::Call { call: CallSpec { call, text: text(shown), audience, span, grace_ms: None } }
}

struct Evening {
    gym: Gym,
    told: String,
}

impl Evening {
    /// Writes down what was said since, and what the coach sees.
    fn notes(&mut self, title: &str) {
        writeln!(self.told, "== {title}").unwrap();
        for output in std::mem::take(&mut self.gym.told) {
            match output {
                Output::Event { to, event } => {
                    let event = serde_json::to_string(&event).unwrap();
                    writeln!(self.told, "{to:?} {event}").unwrap();
                }
                Output::Ack { .. } | Output::Published => {}
                other => writeln!(self.told, "{other:?}").unwrap(),
            }
        }
        let overview = serde_json::to_string(&self.gym.session.overview()).unwrap();
        writeln!(self.told, "coach sees {overview}").unwrap();
        for number in 0..4 {
            if let Some(own) = self.gym.session.own(Gym::athlete(number)) {
                writeln!(self.told, "{number} sees {}", serde_json::to_string(&own).unwrap())
                    .unwrap();
            }
        }
    }

    fn order(&mut self, order: Order) {
        if let Err(refusal) = self.gym.order(order) {
            writeln!(self.told, "refused: {}", refusal.says).unwrap();
        }
    }

    /// What became of pieces is kept, as the shell would.
    fn settles(&mut self) {
        while let Some(settled) = self.gym.session.to_settle().cloned() {
            writeln!(self.told, "settled {}", serde_json::to_string(&settled).unwrap()).unwrap();
            self.gym.say(0, &Input::Settled { settled: Box::new(settled) });
        }
    }

    fn team(&mut self, number: usize, name: &str, team: &str, limit: Option<u16>) {
        let spec = AthleteSpec {
            name: name.into(),
            team: Some(team.into()),
            heart_limit_bpm: limit.map(Bpm),
        };
        self.order(Order::ChangeAthlete { athlete: Gym::athlete(number), spec });
    }
}

fn first_piece(evening: &mut Evening) {
    evening.order(Order::NextRepeat);
    evening.gym.row(1..=30, &[90, 84, 80, 70]);
    evening.notes("half a minute");
    evening.order(Order::FalseStart);
    evening.gym.until(GO + 31_000);
    evening.notes("called back");
}

fn again(evening: &mut Evening) {
    let gym = &mut evening.gym;
    gym.order(Order::Start).unwrap();
    let go = gym.session.now().0 + 10_000 - GO;
    gym.until(GO + go);
    let at = |second: u64| go / 1_000 + second;
    gym.row(at(1)..=at(24), &[90, 84, 80, 70]);
    evening.order(call(1, "Long and loose", Audience::All, Span::Strokes { strokes: 8 }));
    evening.order(call(2, "Quick catch", Audience::Behind, Span::Time { time_ms: Millis(9_000) }));
    evening.gym.row(at(25)..=at(34), &[90, 84, 80, 70]);
    let bo = Gym::athlete(1);
    evening.order(call(3, "Breathe", Audience::Picked { athletes: vec![bo] }, Span::Next));
    evening.order(Order::TakeBack { call: CallId(Uuid::from_u128(0xc3)) });
    evening.order(Order::TakeBack { call: CallId(Uuid::from_u128(0xc1)) });
    let athlete = Gym::athlete(0);
    evening.gym.say(0, &Input::Consent { athlete, heart_rate: true, wording: 1 });
    let heard_ms = evening.gym.session.now().0.cast_signed();
    let readings = vec![Reading { heard_ms, heart_bpm: 181 }, Reading { heard_ms, heart_bpm: 300 }];
    evening.gym.say(0, &Input::HeartRate { athlete, readings });
    evening.notes("called");
    let silent = Gym::athlete(3);
    let since = evening.gym.session.now();
    evening.gym.row(at(35)..=at(50), &[90, 84, 80, 0]);
    evening.gym.say(0, &Input::NotHeard { athlete: silent, since });
    evening.notes("one is not heard");
    evening.gym.row(at(51)..=at(78), &[0, 84, 80, 0]);
    evening.gym.say(0, &Input::Heard { athlete: silent });
    evening.gym.row(at(79)..=at(110), &[0, 0, 0, 70]);
    evening.notes("the first repeat");
    evening.gym.until(GO + 1_000 * at(135));
    evening.order(Order::NextRepeat);
    evening.notes("the rest");
    evening.gym.row(at(136)..=at(190), &[80, 88, 80, 70]);
    evening.gym.say(0, &Input::StopRowing { athlete: silent });
    evening.notes("one stops");
    evening.gym.say(0, &Input::RowOn { athlete: silent });
    evening.gym.row(at(191)..=at(226), &[80, 88, 0, 0]);
    evening.notes("one stands still");
    evening.order(Order::Close);
    evening.notes("closed");
    evening.settles();
}

fn second_piece(evening: &mut Evening) {
    let amount = SessionSettings { ranking: Ranking::Amount, team_best: 1, ..Default::default() };
    evening.order(Order::Settings { settings: amount });
    evening.order(Order::NextPiece);
    evening.order(Order::NextPiece);
    evening
        .gym
        .say(0, &Input::Joined { athlete: Gym::athlete(4), name: "Ｅve ".into(), join: None });
    evening.order(Order::RemoveAthlete { athlete: Gym::athlete(4) });
    let later = evening.gym.session.now().0 + 1_000;
    evening.gym.until(later);
    evening.notes("the next piece");
    evening.order(Order::Arm);
    evening.order(Order::Disarm);
    evening.order(Order::Disarm);
    evening.order(Order::Arm);
    evening.order(Order::Start);
    let go = evening.gym.session.now().0 + 10_000 - GO;
    let at = |second: u64| go / 1_000 + second + 1;
    evening.gym.until(GO + go);
    evening.gym.row(at(0)..=at(60), &[84, 84, 70, 0]);
    evening.notes("a minute");
    evening.gym.row(at(61)..=at(119), &[80, 86, 72, 0]);
    evening.gym.until(GO + 1_000 * at(127));
    evening.notes("over");
    evening.order(Order::Close);
    evening.settles();
    let later = evening.gym.session.now().0 + 40_000;
    evening.gym.until(later);
    evening.settles();
    evening.order(Order::CloseSession);
    evening.order(Order::Arm);
    evening.notes("closed");
}

#[test]
fn an_evening_is_told_as_it_was() {
    let mut evening = Evening { gym: Gym::new(pieces()), told: String::new() };
    for (name, seconds) in [("Ana", 140), ("Bo", 145), ("Cy", 150), ("Dee Lind", 170)] {
        evening.gym.joins(name, Some(finish(seconds)));
    }
    let pace = Target::Pace { per_500m_ms: Millis(122_000) };
    let aim = thole_protocol::spec::Aim { target: Some(pace), ..Default::default() };
    let order =
        Order::Aim { athlete: Gym::athlete(1), piece: thole_protocol::ids::PieceNo(1), aim };
    evening.order(order);
    evening.team(0, "Ana", "Herons", Some(175));
    evening.team(1, "Bo", "Otters", None);
    evening.team(2, "Cy", "Herons", None);
    evening.order(Order::PrepareCalls { calls: vec![text("Long and loose")] });
    let settings = SessionSettings { joining: Joining::Asked, ..Default::default() };
    evening.order(Order::Settings { settings });
    evening.gym.goes();
    evening.notes("the go");
    first_piece(&mut evening);
    again(&mut evening);
    second_piece(&mut evening);
    let session = &evening.gym.session;
    for viewer in [Viewer::Coach, Viewer::Board, Viewer::Athlete(Gym::athlete(1))] {
        writeln!(evening.told, "== {viewer:?}\n{:?}", session.view(viewer)).unwrap();
        let again = session.events_after(EventNo(0), viewer);
        let numbers: Vec<(u64, bool)> = again.iter().map(|e| (e.event.0, e.late)).collect();
        writeln!(evening.told, "{numbers:?}").unwrap();
    }
    assert!(session.is_closed() && session.now() > At(0));
    expect_file!["../fixtures/evening.txt"].assert_eq(&evening.told);
}
