//! Records of a piece that is over: how often, which one stands, and in what two of them differ.

use thole_piece::{Input, Output, settled::Settled};
use thole_protocol::{
    order::Order,
    spec::{Ranking, SessionSettings},
    units::At,
};

use super::gym::{GO, Gym, finish, metres, piece};

fn rowed() -> Gym {
    let mut gym = Gym::new(vec![piece(metres(200))]);
    for name in ["Ana", "Bo"] {
        gym.joins(name, Some(finish(50)));
    }
    gym.goes();
    gym.row(1..=56, &[80, 76]);
    gym.until(GO + 60_000);
    gym
}

fn keep(gym: &mut Gym, settled: &Settled) -> Vec<String> {
    let out = gym.say(0, &Input::Settled { settled: Box::new(settled.clone()) });
    let differs = out.into_iter().filter_map(|output| match output {
        Output::SettledDiffers { what, .. } => Some(what),
        _ => None,
    });
    differs.collect()
}

fn rank(gym: &mut Gym, ranking: Ranking) {
    let settings = SessionSettings { ranking, ..SessionSettings::default() };
    gym.order(Order::Settings { settings }).unwrap();
}

#[test]
fn a_record_that_follows_waits_five_seconds_and_each_further_one_twice_as_long() {
    let mut gym = rowed();
    let first = gym.session.to_settle().unwrap().clone();
    assert!(gym.session.is_settling());
    assert_eq!(keep(&mut gym, &first), [""; 0]);
    assert!(!gym.session.is_settling() && gym.session.to_settle().is_none());
    let mut ranking = [Ranking::Amount, Ranking::Share].into_iter().cycle();
    for (revision, wait) in [(2, 5_000), (3, 10_000), (4, 20_000)] {
        let now = gym.session.now().0;
        rank(&mut gym, ranking.next().unwrap());
        gym.until(now + wait - 1);
        assert!(gym.session.to_settle().is_none() && gym.session.is_settling(), "{revision}");
        gym.until(now + wait);
        let next = gym.session.to_settle().unwrap().clone();
        assert_eq!((next.revision, next.lines.is_none()), (revision, true));
        assert_eq!(keep(&mut gym, &next), [""; 0]);
    }
}

#[test]
fn a_record_that_is_kept_stands_against_the_same_number_once_more() {
    let mut gym = rowed();
    let first = gym.session.to_settle().unwrap().clone();
    assert_eq!(keep(&mut gym, &first), [""; 0]);
    assert_eq!(keep(&mut gym, &first), ["a record of revision 1 is kept already"]);
    assert_eq!(gym.session.settled(first.piece).unwrap().revision, 1);
    // Made before the ranking was changed, and kept after it: it was right when it was made.
    rank(&mut gym, Ranking::Amount);
    gym.until(gym.session.now().0 + 5_000);
    let second = gym.session.to_settle().unwrap().clone();
    rank(&mut gym, Ranking::Share);
    assert_eq!(keep(&mut gym, &second), [""; 0]);
}

#[test]
fn two_records_differ_in_what_is_another_in_them() {
    let gym = rowed();
    let record = gym.session.to_settle().unwrap();
    assert_eq!(record.difference(record), None);
    let differs = |change: &dyn Fn(&mut Settled)| {
        let mut other = record.clone();
        change(&mut other);
        record.difference(&other).unwrap_or_default()
    };
    assert_eq!(differs(&|other| other.piece.0 += 1), "number");
    assert_eq!(differs(&|other| other.revision += 1), "number");
    assert_eq!(differs(&|other| other.spec.title.push('a')), "what was rowed");
    assert_eq!(differs(&|other| other.settings.team_best += 1), "what was rowed");
    assert_eq!(differs(&|other| other.starts_at_ms.push(At(9))), "phases");
    assert_eq!(differs(&|other| other.phases.truncate(1)), "phases");
    assert_eq!(differs(&|other| other.first_home_at_ms = None), "first finisher");
    assert_eq!(differs(&|other| other.lines = None), "lines of the standings");
    assert_eq!(differs(&|other| other.seats[1].place = None), "seat 1");
    assert_eq!(differs(&|other| drop(other.seats.pop())), "seat 1, 2 seats against 1");
    // A later record says nothing new unless results have changed.
    let mut later = record.clone();
    (later.revision, later.lines) = (2, None);
    assert!(later.says_the_same(record));
    later.seats[0].place = None;
    assert!(!later.says_the_same(record));
}
