//! How people come to their seats, whose record an input is, and whose name looks like whose.

use thole_piece::{
    Input,
    input::Whose,
    session::{Viewer, Way},
};
use thole_protocol::{
    event::Happening,
    ids::{AthleteId, CommandId, DeviceId, PieceNo, RunId},
    order::Order,
    sample::{Reading, Sample},
    spec::{Aim, AthleteSpec, Joining, PastResult, PieceSpec, SessionSettings},
    standing::Outcome,
    total::Gap,
    units::At,
};
use uuid::Uuid;

use super::gym::{GO, Gym, finish, metres, piece, seconds, text};

const WHO: AthleteId = AthleteId(Uuid::from_u128(5));
const RUN: RunId = RunId(Uuid::from_u128(6));
const COMMAND: CommandId = CommandId(Uuid::from_u128(7));

#[test]
fn an_input_is_found_by_its_kind_and_by_whose_it_is() {
    let (athlete, run, command) = (WHO, RUN, COMMAND);
    let name = || "Ana".to_owned();
    let theirs = [
        Input::Joined { athlete, name: name(), join: None },
        Input::LetIn { command, athlete, name: name(), join: name() },
        Input::SecondDevice { athlete },
        Input::Heard { athlete },
        Input::NotHeard { athlete, since: At(3) },
        Input::Samples { athlete, run, samples: vec![] },
        Input::Skipped { athlete, run, from_seq: 1, to_seq: 2 },
        Input::Acknowledged { athlete, run, through_seq: 2 },
        Input::HeartRate { athlete, readings: vec![Reading { heard_ms: 1, heart_bpm: 99 }] },
        Input::Consent { athlete, heart_rate: true, wording: 1 },
        Input::Aimed { athlete, piece: PieceNo(0), aim: Aim::default() },
        Input::StopRowing { athlete },
        Input::RowOn { athlete },
        Input::Renewed { command, whose: Whose::Athlete { athlete } },
    ];
    let ours = [
        Input::NamesBySight,
        Input::AthletesAdded { command, athletes: vec![] },
        Input::Renewed { command, whose: Whose::Board },
        Input::CoachLinkUsed,
        Input::Reopened,
        Input::TookCommand { device: DeviceId(Uuid::from_u128(9)), by: None },
        Input::Ordered { command, order: Order::Arm, by: None },
        Input::Deadline,
        Input::ClockSet { by_ms: None, devices: 3 },
    ];
    for (input, whose) in
        theirs.iter().map(|i| (i, Some(WHO))).chain(ours.iter().map(|i| (i, None)))
    {
        let kept = serde_json::to_value(input).unwrap();
        assert_eq!(kept["input"], input.kind());
        assert_eq!(input.athlete(), whose, "{}", input.kind());
    }
}

#[test]
fn a_device_comes_back_to_the_seat_that_it_joined_until_its_link_is_renewed() {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    let (ana, bo) = (Gym::athlete(0), Gym::athlete(1));
    for (athlete, name, join) in [(ana, "Ana", "a"), (bo, "Bo", "b")] {
        gym.say(0, &Input::Joined { athlete, name: name.into(), join: Some(join.into()) });
    }
    assert_eq!((gym.session.joined_by("a"), gym.session.joined_by("b")), (Some(ana), Some(bo)));
    assert_eq!((gym.session.joined_by("c"), gym.session.athletes()), (None, 2));
    assert!(gym.session.seat(ana) < gym.session.seat(bo) && gym.session.seat(WHO).is_none());
    let whose = Whose::Athlete { athlete: ana };
    gym.say(0, &Input::Renewed { command: COMMAND, whose });
    assert_eq!((gym.session.joined_by("a"), gym.session.joined_by("b")), (None, Some(bo)));
    gym.order(Order::RemoveAthlete { athlete: bo }).unwrap();
    assert_eq!((gym.session.joined_by("b"), gym.session.athletes()), (None, 1));
}

#[test]
fn the_old_link_of_the_coach_opens_for_the_device_that_asked_until_the_new_one_is_used() {
    let mut gym = Gym::new(Vec::new());
    assert_eq!(gym.session.coach_link(), None);
    let device = Some(DeviceId(Uuid::from_u128(9)));
    let whose = Whose::Coach { opens: "hash".into(), device };
    gym.say(0, &Input::Renewed { command: COMMAND, whose });
    let link = gym.session.coach_link().unwrap();
    assert_eq!((&*link.opens, link.device), ("hash", device));
    gym.say(0, &Input::CoachLinkUsed);
    let link = gym.session.coach_link().unwrap();
    assert_eq!((&*link.opens, link.device), ("hash", None));
}

#[test]
fn who_types_a_name_is_given_what_the_settings_say() {
    let mut gym = Gym::new(Vec::new());
    let ana = gym.lists("Ana", None).unwrap();
    let mut ways = |joining| {
        let settings = SessionSettings { joining, ..SessionSettings::default() };
        gym.order(Order::Settings { settings }).unwrap();
        [gym.session.way_in("Ana").unwrap(), gym.session.way_in("Bo").unwrap()]
    };
    assert_eq!(ways(Joining::Guests), [Way::Ask(Some(ana)), Way::New]);
    assert_eq!(ways(Joining::Asked), [Way::Ask(Some(ana)), Way::Ask(None)]);
    assert_eq!(
        ways(Joining::Trusted),
        [Way::Ask(Some(ana)), Way::New],
        "a name that is typed is no key"
    );
    assert!(gym.session.way_in("").is_err() && gym.session.way_in("\u{200b}").is_err());
    gym.say(0, &Input::Heard { athlete: ana });
    assert!(gym.session.way_in("Ana").is_err(), "somebody is there under this name");
}

fn looks_told(gym: &mut Gym) -> Vec<(AthleteId, Option<AthleteId>)> {
    let told = gym.happened().into_iter().filter_map(|what| match what {
        Happening::LooksLike { athlete, like } => Some((athlete, like)),
        _ => None,
    });
    told.collect()
}

#[test]
fn the_coach_is_told_of_names_that_look_alike_or_mixed_and_of_no_other() {
    let mut gym = Gym::new(Vec::new());
    let named = |gym: &mut Gym, name: &str| {
        gym.lists(name, None).unwrap();
        looks_told(gym)
    };
    assert_eq!(named(&mut gym, "Ana"), []);
    assert_eq!(named(&mut gym, "Bo"), []);
    // All Cyrillic, and mistaken for the first one.
    let (first, third, fourth) = (Gym::athlete(0), Gym::athlete(2), Gym::athlete(3));
    assert_eq!(named(&mut gym, "Аnа"), [(third, Some(first))]);
    // A word in two scripts, unlike anybody's.
    assert_eq!(named(&mut gym, "Dеnis"), [(fourth, None)]);
    // A name that is nobody's any more is like nobody's.
    for athlete in [first, third] {
        gym.order(Order::RemoveAthlete { athlete }).unwrap();
    }
    assert_eq!(named(&mut gym, "Ana"), []);
    // Renamed, it is looked at again, and the old name is free.
    let rename = |name: &str| Order::ChangeAthlete {
        athlete: Gym::athlete(1),
        spec: AthleteSpec { name: name.into(), ..AthleteSpec::default() },
    };
    gym.order(rename("Во")).unwrap();
    assert_eq!(looks_told(&mut gym), []);
    assert_eq!(named(&mut gym, "Bo"), [(Gym::athlete(5), Some(Gym::athlete(1)))]);
}

#[test]
fn nothing_that_people_read_hides_or_turns_what_stands_in_it() {
    let mut gym = Gym::new(Vec::new());
    let titled = |title: &str| PieceSpec { title: title.into(), ..piece(metres(500)) };
    for bad in
        ["Two\u{202e}k", "\u{200b}", "\u{2003}\u{a0}", "\u{2800}", "1\u{200d}2", "a\u{200d}b"]
    {
        assert!(gym.order(Order::SetPieces { pieces: vec![titled(bad)] }).is_err(), "{bad:?}");
        let mut sheet = piece(metres(500));
        sheet.call_sheet = vec![thole_protocol::spec::SheetCall {
            at: thole_protocol::spec::Point::Stroke { number: 3 },
            text: text(&format!("a{bad}")),
            audience: thole_protocol::spec::Audience::All,
            span: thole_protocol::spec::Span::Next,
        }];
        let hides = !bad.chars().all(|c| c.is_whitespace() || c == '\u{2800}');
        assert_eq!(gym.order(Order::SetPieces { pieces: vec![sheet] }).is_err(), hides, "{bad:?}");
    }
    for good in ["", "Two thousand", "क्\u{200d}ष"] {
        assert!(gym.order(Order::SetPieces { pieces: vec![titled(good)] }).is_ok(), "{good:?}");
    }
}

#[test]
fn whoever_is_let_in_has_the_seat_and_is_let_in_once() {
    let mut gym = Gym::new(Vec::new());
    let (ana, bo) = (Gym::athlete(0), Gym::athlete(1));
    let let_in = |athlete, name: &str, join: &str| {
        let (name, join) = (name.to_owned(), join.to_owned());
        Input::LetIn { command: COMMAND, athlete, name, join }
    };
    gym.say(0, &let_in(ana, "Ana", "a"));
    assert_eq!((gym.session.joined_by("a"), gym.session.name(ana)), (Some(ana), Some("Ana")));
    // The same order once more, whatever it says now.
    gym.say(0, &let_in(bo, "Bo", "b"));
    assert_eq!((gym.session.joined_by("b"), gym.session.name(bo)), (None, None));
}

fn aim(seconds: u32, history: &[u32]) -> Aim {
    let past = |seconds: &u32| PastResult { days_ago: 3, result: finish(*seconds) };
    Aim {
        target: Some(finish(seconds)),
        history: history.iter().map(past).collect(),
        ..Aim::default()
    }
}

fn aim_of(gym: &Gym, number: usize) -> Aim {
    let view = gym.session.view(Viewer::Coach);
    view.athletes.into_iter().find(|view| view.athlete == Gym::athlete(number)).unwrap().aim
}

#[test]
fn an_athlete_who_says_nothing_of_the_past_leaves_it_as_it_was() {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    let athlete = gym.joins("Ana", None);
    let no = PieceNo(0);
    gym.order(Order::Aim { athlete, piece: no, aim: aim(130, &[128, 131]) }).unwrap();
    gym.say(0, &Input::Aimed { athlete, piece: no, aim: aim(127, &[]) });
    assert_eq!(aim_of(&gym, 0), aim(127, &[128, 131]));
    gym.say(0, &Input::Aimed { athlete, piece: no, aim: aim(126, &[125]) });
    assert_eq!(aim_of(&gym, 0), aim(126, &[125]));
}

#[test]
fn who_comes_after_the_go_may_say_what_for_until_the_first_stroke_and_nobody_after_the_end() {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    gym.joins("Ana", Some(finish(125)));
    gym.goes();
    gym.row(1..=10, &[80]);
    let (ana, late) = (Gym::athlete(0), gym.joins("Late", None));
    let no = PieceNo(0);
    let aims = |gym: &mut Gym, athlete, seconds| {
        gym.order(Order::Aim { athlete, piece: no, aim: aim(seconds, &[]) }).is_ok()
    };
    assert!(!aims(&mut gym, ana, 140), "Ana rows already");
    assert!(aims(&mut gym, late, 150));
    let margin = gym.own(1).margin.unwrap();
    assert_eq!(margin.gap, Gap::Time(0));
    gym.order(Order::Stop).unwrap();
    assert!(!aims(&mut gym, late, 160));
    assert_eq!(aim_of(&gym, 1), aim(150, &[]));
}

#[test]
fn whose_target_goes_with_the_old_distance_is_told() {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    gym.joins("Ana", Some(finish(125)));
    gym.joins("Bo", None);
    gym.until(1_000);
    gym.happened();
    gym.order(Order::SetPieces { pieces: vec![piece(metres(600))] }).unwrap();
    gym.until(2_000);
    let told = gym.happened().into_iter().find_map(|what| match what {
        Happening::AthletesChanged { athletes } => Some(athletes),
        _ => None,
    });
    let told: Vec<_> =
        told.unwrap().into_iter().map(|view| (view.athlete, view.aim.target)).collect();
    assert_eq!(told, [(Gym::athlete(0), None)]);
}

#[test]
fn whoever_finishes_as_was_shown_is_counted_as_held() {
    let mut gym = Gym::new(vec![piece(metres(1_000))]);
    gym.joins("Ana", Some(finish(250)));
    gym.goes();
    gym.row(1..=252, &[80]);
    gym.until(GO + 255_000);
    let told = gym.session.calibration();
    assert_eq!((told.finishes, told.intervals, told.held, told.made), (1, 3, 3, 3));
    let mut gym = Gym::new(vec![piece(seconds(120))]);
    gym.joins("Ana", None);
    gym.goes();
    gym.row(1..=124, &[80]);
    gym.until(GO + 130_000);
    let told = gym.session.calibration();
    assert_eq!((told.finishes, told.intervals, told.held, told.chances), (1, 3, 3, 0));
}

/// Ana rows; Bo was there and did not; Cy comes when it is over, with nothing or with strokes from then.
#[test]
fn who_comes_when_a_piece_is_over_is_in_it_only_by_what_was_rowed_then() {
    let mut gym = Gym::new(vec![piece(metres(100))]);
    gym.joins("Ana", None);
    gym.lists("Bo", None).unwrap();
    gym.goes();
    gym.row(1..=26, &[80]);
    gym.until(GO + 30_000);
    let over = gym.session.now().0;
    let settled = |gym: &Gym| gym.session.settled(PieceNo(0)).map(|record| record.seats.len());
    let make = |gym: &mut Gym| {
        while let Some(settled) = gym.session.to_settle().cloned() {
            gym.say(0, &Input::Settled { settled: Box::new(settled) });
        }
    };
    make(&mut gym);
    let cy = gym.joins("Cy", None);
    gym.until(over + 30_000);
    let of = |gym: &Gym, number| gym.result(number).map(|result| result.outcome);
    assert_eq!(of(&gym, 1), Some(Outcome::DidNotStart));
    assert_eq!((of(&gym, 2), settled(&gym)), (None, Some(2)), "Cy was not there");
    let strokes = (0..=8).map(|no: u32| Sample {
        seq: no + 1,
        heard_ms: i64::try_from(GO).unwrap() + i64::from(no) * 2_000 - 500,
        distance_dm: 80 * i64::from(no),
        ..Sample::default()
    });
    let samples = strokes.collect();
    gym.say(over + 31_000, &Input::Samples { athlete: cy, run: Gym::run(2), samples });
    gym.until(over + 50_000);
    make(&mut gym);
    assert!(of(&gym, 2).is_some_and(|outcome| outcome != Outcome::DidNotStart));
    assert_eq!(settled(&gym), Some(3));
}

#[test]
fn nothing_in_the_name_of_a_machine_turns_the_names_around_it() {
    let mut gym = Gym::new(vec![piece(metres(500))]);
    let athlete = gym.joins("Ana", None);
    gym.say(
        0,
        &Input::Ready {
            athlete,
            cautions_read: true,
            machine: Some("Row\u{202e}er\u{200b} 7\n".into()),
            clock_bound_ms: None,
            on_board: None,
            today: None,
        },
    );
    let view = gym.session.view(Viewer::Coach);
    assert_eq!(view.athletes[0].machine.as_deref(), Some("Rower 7"));
}

#[test]
fn what_a_device_of_the_hall_has_kept_opens_nothing_once_somebody_comes_with_their_own() {
    let mut gym = Gym::new(Vec::new());
    let ana = gym.lists("Ana", None).unwrap();
    let joins =
        |id: &str| Input::Joined { athlete: ana, name: "Ana".into(), join: Some(id.into()) };
    gym.say(0, &joins("tablet"));
    let device = DeviceId(Uuid::from_u128(78));
    gym.say(0, &Input::AtHall { athlete: ana, device });
    assert_eq!(gym.session.joined_by("tablet"), Some(ana), "a lost answer is asked for again");
    gym.say(0, &joins("phone"));
    assert_eq!(gym.session.joined_by("phone"), Some(ana));
    assert_eq!((gym.session.joined_by("tablet"), gym.session.at_hall(device)), (None, None));
}
