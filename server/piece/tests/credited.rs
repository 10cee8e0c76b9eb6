//! How much of the machine's metres an athlete is credited with: never more than was rowed, whatever was
//! heard.

use proptest::prelude::*;
use thole_piece::{
    recording::Recording,
    track::{Finish, Rule, Track},
};
use thole_protocol::{
    ids::RunId,
    sample::Sample,
    spec::{Extent, Repeat, RepeatStart, StartClock},
    standing::Mark,
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

const NOW: At = At(10_000_000);
const GO: At = At(60_000);

fn distance(metres: u32, rest_s: u32) -> Repeat {
    let work = Extent::Distance { distance_dm: Decimetres(10 * metres) };
    Repeat { work, rest_ms: Millis(1_000 * rest_s) }
}

fn time(seconds: u32, rest_s: u32) -> Repeat {
    let work = Extent::Time { time_ms: Millis(1_000 * seconds) };
    Repeat { work, rest_ms: Millis(1_000 * rest_s) }
}

fn rule(repeats: &[Repeat]) -> Rule<'_> {
    const STARTS: &[At] = &[GO];
    let (clock, repeat_start) = (StartClock::CommonGo, RepeatStart::CommonSignal);
    Rule { repeats, clock, repeat_start, starts: STARTS, until: None }
}

fn own_clock(repeats: &[Repeat]) -> Rule<'_> {
    Rule { clock: StartClock::OwnFirstStroke, ..rule(repeats) }
}

/// (seconds from the go, metres on the machine, its own clock in seconds if it has one)
type Heard = (f64, f64, Option<f64>);

#[expect(clippy::cast_possible_truncation, reason = "minutes and kilometres in small units")]
fn whole(number: f64) -> i64 {
    number.round() as i64
}

fn ms(seconds: f64) -> i64 {
    whole(seconds * 1e3)
}

fn samples(heard: &[Heard]) -> Vec<Sample> {
    let sample = |(seq, (at, metres, clock)): (u32, &Heard)| Sample {
        seq,
        heard_ms: GO.0.cast_signed() + ms(*at),
        distance_dm: whole(metres * 1e1),
        elapsed_ms: clock.map(ms),
        ..Sample::default()
    };
    (1..).zip(heard).map(sample).collect()
}

fn track(samples: &[Sample], rule: Rule<'_>) -> Track {
    let mut recording = Recording::default();
    recording.add(NOW, RunId(Uuid::nil()), samples);
    let mut track = Track::default();
    track.advance(0, &recording.points(), rule, |_, _| {});
    track
}

fn rowed(heard: &[Heard], rule: Rule<'_>) -> (Option<Finish>, Vec<Mark>) {
    let track = track(&samples(heard), rule);
    (track.finish(rule, NOW), track.marks().collect())
}

/// Steady rowing from `from` to `to`, heard every 2.4 s, from this many metres on.
fn steady(from: f64, to: f64, speed: f64, metres: f64) -> impl Iterator<Item = Heard> {
    let strokes = (0..).map(move |nth| from + 2.4 * f64::from(nth));
    strokes.take_while(move |at| *at <= to).map(move |at| (at, metres + speed * (at - from), None))
}

#[test]
fn what_the_machine_shows_when_it_is_first_heard_after_the_go_counts_for_nothing() {
    // 390 m on the machine a minute after the go, and no clock of its own; 3 m/s from then on.
    let heard: Vec<Heard> = steady(60.0, 260.0, 3.0, 390.0).collect();
    let (finish, marks) = rowed(&heard, rule(&[distance(400, 0)]));
    assert_eq!(finish.map(|finish| finish.ms.round()), Some(193_333.0), "60 s and 400 m of 3 m/s");
    assert_eq!(marks, [Mark::NoBaseline, Mark::LateStart]);
    // Twelve seconds late with 80 m of 200 m, which could have been rowed since.
    let heard: Vec<Heard> = steady(12.0, 90.0, 4.0, 80.0).collect();
    let (finish, marks) = rowed(&heard, rule(&[distance(200, 0)]));
    assert_eq!(finish.map(|finish| finish.ms.round()), Some(62_000.0));
    assert!(marks.contains(&Mark::NoBaseline));
}

#[test]
fn a_machine_whose_clock_began_after_the_go_loses_nothing() {
    let clocked = |late: f64| {
        let strokes = steady(late, 200.0, 4.0, 4.0 * late);
        let heard: Vec<Heard> = strokes.map(|(at, metres, _)| (at, metres, Some(at))).collect();
        rowed(&heard, rule(&[distance(400, 0)]))
    };
    let (finish, marks) = clocked(2.4);
    assert_eq!((finish.map(|finish| finish.ms), marks), (Some(100_000.0), vec![]));
    let (finish, marks) = clocked(36.0);
    assert_eq!((finish.map(|finish| finish.ms), marks), (Some(100_000.0), vec![Mark::HeardLate]));
    // The same clock, a quarter of a minute ahead: it was running before the go.
    let heard: Vec<Heard> =
        steady(36.0, 200.0, 4.0, 200.0).map(|(at, m, _)| (at, m, Some(at + 15.0))).collect();
    let (finish, marks) = rowed(&heard, rule(&[distance(400, 0)]));
    assert_eq!(finish.map(|finish| finish.ms), Some(136_000.0));
    assert!(marks.contains(&Mark::NoBaseline));
}

#[test]
fn a_clock_by_which_nobody_rows_so_far_shows_nothing() {
    for (late, metres, clock) in
        [(29.0, 260.0, 0.001), (15.0, 130.0, 1.0), (15.0, 130.0, 0.0), (29.0, 900.0, 28.5)]
    {
        let mut heard = vec![(late, metres, Some(clock))];
        heard.extend(
            steady(late + 1.0, late + 200.0, 4.0, metres + 4.0)
                .map(|(at, m, _)| (at, m, Some(clock + at - late))),
        );
        let (finish, marks) = rowed(&heard, rule(&[distance(400, 0)]));
        assert_eq!(
            finish.map(|finish| finish.ms.round()),
            Some(1e3 * (late + 100.0)),
            "{metres} m in {clock} s"
        );
        assert!(marks.contains(&Mark::NoBaseline), "{metres} m in {clock} s: {marks:?}");
    }
}

#[test]
fn who_resets_when_sitting_ready_loses_nothing_though_the_machine_is_silent_until_it_moves() {
    for reset_at in [-3.0, -14.0, -50.0] {
        let mut heard = vec![(-55.0, 120.0, None), (reset_at, 0.0, None)];
        heard.extend(steady(0.0, 120.0, 4.0, 0.0).skip(1));
        let (finish, marks) = rowed(&heard, rule(&[distance(400, 0)]));
        assert_eq!((finish.map(|finish| finish.ms), marks), (Some(100_000.0), vec![]));
    }
}

#[test]
fn what_was_not_heard_around_the_go_counts_as_far_as_it_was_surely_rowed_since() {
    let repeats = [distance(400, 0)];
    let rest = |from, metres| steady(from, 300.0, 4.0, metres);
    // Paddled far before the go while nothing was heard; ten seconds after the go it is heard again.
    let heard: Vec<Heard> = [(-59.0, 0.0, None)].into_iter().chain(rest(10.0, 300.0)).collect();
    let (finish, marks) = rowed(&heard, rule(&repeats));
    assert_eq!(finish.map(|finish| finish.ms), Some(110_000.0));
    assert!(marks.contains(&Mark::NoBaseline));
    // Paddling ten seconds before the go: at most 90 m of the 400 were rowed before it.
    let warm = [(-12.4, 0.0, None), (-10.0, 7.0, None)];
    let heard: Vec<Heard> = warm.into_iter().chain(rest(90.0, 407.0)).collect();
    let (finish, marks) = rowed(&heard, rule(&repeats));
    assert_eq!(finish.map(|finish| finish.ms.round()), Some(112_500.0), "310 m of them count");
    assert!(marks.contains(&Mark::NoBaseline));
}

#[test]
fn what_may_have_been_rowed_on_the_quiet_before_the_go_is_left_open() {
    // The machine stands at -14 s, is rowed at once at 4 m/s, and is heard again five seconds after the go, at 76 m.
    let ready = [(-15.0, 0.0, None), (-14.0, 0.0, None)];
    let heard: Vec<Heard> = ready.into_iter().chain(steady(5.0, 300.0, 4.0, 76.0)).collect();
    let finish = rowed(&heard, rule(&[distance(400, 0)])).0.unwrap();
    assert!(finish.ms + finish.sure_ms >= 100_000.0, "400 m take 100 s: {finish:?}");
    let finish = rowed(&heard, rule(&[time(60, 0)])).0.unwrap();
    assert!(finish.dm - finish.sure_dm <= 2_400.0, "240 m are rowed in a minute: {finish:?}");
    // A single stroke is what ends the silence of a machine that stood ready, and is certain.
    let heard: Vec<Heard> = ready.into_iter().chain(steady(2.4, 300.0, 4.0, 9.6)).collect();
    let finish = rowed(&heard, rule(&[distance(400, 0)])).0.unwrap();
    assert_eq!((finish.ms, finish.sure_ms <= 1_250.0), (100_000.0, true), "{finish:?}");
}

#[test]
fn the_first_sample_of_a_later_repeat_gives_nothing_of_the_rest() {
    let repeats = [distance(200, 60), distance(200, 0)];
    let starts = [GO, GO + Millis(110_000)];
    let mut heard: Vec<Heard> = vec![(-1.0, 0.0, None)];
    heard.extend(steady(0.0, 50.4, 4.0, 0.0).skip(1));
    // Paddled through the rest unheard, and into the second repeat.
    heard.extend(steady(140.0, 220.0, 4.0, 480.0));
    let rule = Rule { starts: &starts, ..rule(&repeats) };
    let (finish, marks) = rowed(&heard, rule);
    assert_eq!(finish.map(|finish| finish.ms), Some(50_000.0 + 30_000.0 + 50_000.0));
    assert!(marks.contains(&Mark::NoBaseline));
    // Reset in the rest and silent until it moves.
    let mut heard: Vec<Heard> = vec![(-1.0, 0.0, None)];
    heard.extend(steady(0.0, 50.4, 4.0, 0.0).skip(1));
    heard.push((70.0, 0.0, None));
    heard.extend(steady(110.0, 170.0, 4.0, 0.0).skip(1));
    let (finish, marks) = rowed(&heard, rule);
    assert_eq!(finish.map(|finish| finish.ms), Some(100_000.0));
    assert_eq!(marks, []);
}

#[test]
fn after_a_reset_without_a_clock_metres_count_from_the_first_sample() {
    let after = |clock: Option<f64>| {
        let mut heard: Vec<Heard> = vec![(-1.0, 0.0, None)];
        heard.extend(steady(0.0, 48.0, 4.0, 0.0).skip(1));
        // Reset, and 150 m later it is heard again: 37.5 s of rowing.
        heard.extend(
            steady(100.0, 400.0, 4.0, 150.0)
                .map(|(at, metres, _)| (at, metres, clock.map(|clock| clock + at - 100.0))),
        );
        rowed(&heard, rule(&[distance(800, 0)]))
    };
    let (finish, marks) = after(None);
    assert_eq!((finish.map(|finish| finish.ms), marks), (Some(252_000.0), vec![Mark::Joined]));
    let (finish, marks) = after(Some(37.5));
    assert_eq!((finish.map(|finish| finish.ms), marks), (Some(214_500.0), vec![Mark::Joined]));
}

#[test]
fn a_time_piece_ends_between_two_samples_however_far_apart_they_are() {
    let mut heard: Vec<Heard> = vec![(-1.0, 0.0, None)];
    heard.extend(steady(0.0, 58.0, 4.0, 0.0).skip(1));
    heard.push((67.0, 268.0, None));
    let (finish, _) = rowed(&heard, rule(&[time(60, 0)]));
    assert_eq!(finish.map(|finish| finish.dm.round()), Some(2_400.0));
}

#[test]
fn a_repeat_by_time_counts_to_its_end_though_the_rest_is_silent() {
    let repeats = [time(60, 60), time(60, 0)];
    let starts = [GO, GO + Millis(120_000)];
    let mut heard: Vec<Heard> = vec![(-1.0, 0.0, None)];
    heard.extend(steady(0.0, 58.0, 4.0, 0.0).skip(1));
    // Rowed on to the end and rested: the next stroke is that of the second repeat.
    heard.extend(steady(120.0, 190.0, 4.0, 240.0).skip(1));
    for repeat_start in [RepeatStart::CommonSignal, RepeatStart::OwnRest] {
        let rule = Rule { starts: &starts, repeat_start, ..rule(&repeats) };
        let (finish, _) = rowed(&heard, rule);
        let finish = finish.expect("both repeats are over");
        assert_eq!(finish.dm.round(), 4_800.0);
        assert!(finish.sure_dm > 50.0, "what the rest leaves open is said");
    }
}

#[test]
fn on_the_own_clock_nothing_of_before_the_go_counts() {
    let mut heard: Vec<Heard> = vec![(-59.0, 0.0, None)];
    heard.extend(steady(10.0, 300.0, 4.0, 300.0));
    let (finish, marks) = rowed(&heard, own_clock(&[distance(400, 0)]));
    let finish = finish.expect("400 m from 300 m on");
    assert!((finish.ms - 100_000.0).abs() <= finish.sure_ms, "{finish:?}");
    assert!(marks.contains(&Mark::NoBaseline));
}

/// What a machine with a clock of its own reports.
#[derive(Clone, Copy, Debug)]
enum Clock {
    None,
    /// Runs from a minute before the go on.
    Runs,
    /// Stands still until the first stroke.
    WithTheFirstStroke,
    /// The same, in whole seconds.
    WholeSeconds,
}

fn clock() -> impl Strategy<Value = Clock> {
    prop_oneof![
        Just(Clock::None),
        Just(Clock::Runs),
        Just(Clock::WithTheFirstStroke),
        Just(Clock::WholeSeconds),
    ]
}

impl Clock {
    fn tells(self, at: f64, began: f64) -> Option<f64> {
        match self {
            Clock::None => None,
            Clock::Runs => Some(at + 60.0),
            Clock::WithTheFirstStroke => Some((at - began).max(0.0)),
            Clock::WholeSeconds => Some((at - began).max(0.0).floor()),
        }
    }
}

proptest! {
    /// One true movement, heard at any spacing and phase: the result is no further from the truth than it says.
    #[test]
    fn on_the_own_clock_a_sample_sooner_or_later_makes_no_other_result(
        began in 0.5f64..20.0,
        speed in 2.5f64..6.0,
        spacing in 0.2f64..4.0,
        phase in 0.0f64..1.0,
        clock in clock(),
    ) {
        let metres = |at: f64| (at - began).max(0.0) * speed;
        let at = |nth: i32| spacing * (f64::from(nth) + phase) - 2.0 * spacing;
        let heard: Vec<Heard> = (0..).map(at).take_while(|at| *at < 260.0)
            .map(|at| (at, metres(at), clock.tells(at, began))).collect();
        let by_distance = [distance(500, 0)];
        let (finish, marks) = rowed(&heard, own_clock(&by_distance));
        let finish = finish.expect("500 m");
        let off = (finish.ms - 500e3 / speed).abs();
        // Whole milliseconds and decimetres are heard.
        prop_assert!(off <= finish.sure_ms + 60.0, "{off} ms off in {finish:?}");
        prop_assert!(!marks.contains(&Mark::NoBaseline));
        let by_time = [time(60, 0)];
        let (finish, _) = rowed(&heard, own_clock(&by_time));
        let finish = finish.expect("60 s");
        let off = (finish.dm - 600.0 * speed).abs();
        prop_assert!(off <= finish.sure_dm + 2.0, "{off} dm off in {finish:?}");
    }
}

/// One athlete's true movement, from a minute before the go on: speeds and for how long.
fn movement() -> impl Strategy<Value = Vec<(f64, f64)>> {
    let stretch = (prop_oneof![Just(0.0), 0.8f64..6.0], 2.0f64..40.0);
    prop::collection::vec(stretch, 6..14)
}

/// What reaches the server from one machine: samples that mostly arrive, silences of up to minutes, resets, and a change
/// of phone now and then.
#[derive(Clone, Debug)]
struct Hearing {
    /// Since the sample before, and whether it arrives.
    samples: Vec<(f64, bool)>,
    /// Nothing of before this arrives, seconds from the go.
    first: f64,
    /// From when on nothing arrives, and for how long.
    silences: Vec<(f64, f64)>,
    /// When, and what share of its metres remains then: none after a reset; more on another machine that somebody
    /// switches to, which here only happens without a clock.
    resets: Vec<(f64, f64)>,
    phones: Vec<f64>,
    /// On the machine a minute before the go.
    shows: f64,
    clock: MachineClock,
}

/// The clock that a machine tells with its metres.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum MachineClock {
    None,
    /// Runs from the reset on.
    Runs,
    /// Stands while nobody rows.
    Stops,
}

fn hearing() -> impl Strategy<Value = Hearing> {
    let gap = prop_oneof![9 => 0.3f64..5.0, 1 => 5.0f64..60.0];
    let clock = prop_oneof![
        2 => Just(MachineClock::None),
        1 => Just(MachineClock::Runs),
        1 => Just(MachineClock::Stops),
    ];
    (
        prop::collection::vec((gap, prop::bool::weighted(0.7)), 60..200),
        prop_oneof![Just(-60.0), -60.0f64..60.0],
        prop::collection::vec((-60.0f64..90.0, 5.0f64..100.0), 0..3),
        prop::collection::vec((-55.0f64..120.0, prop_oneof![Just(0.0), 0.0f64..0.9]), 0..3),
        prop::collection::vec(-50.0f64..120.0, 0..3),
        prop_oneof![Just(0.0), 0.0f64..900.0],
        clock,
    )
        .prop_map(|(samples, first, silences, mut resets, phones, shows, clock)| {
            resets.sort_by(|a, b| a.0.total_cmp(&b.0));
            if clock != MachineClock::None {
                resets.iter_mut().for_each(|(_, share)| *share = 0.0);
            }
            Hearing { samples, first, silences, resets, phones, shows, clock }
        })
}

impl Hearing {
    fn arrives(&self, at: f64) -> bool {
        let is_silent = |(from, lasts): &(f64, f64)| (*from..from + lasts).contains(&at);
        at >= self.first && !self.silences.iter().any(is_silent)
    }
}

/// Metres truly rowed until an instant, seconds from the go. Nobody paddles right up to the go: whoever does is heard
/// doing so, or stands still for the countdown.
fn truly(movement: &[(f64, f64)], at: f64) -> f64 {
    let at = if at > -20.0 { at.max(0.0) } else { at + 20.0 };
    let (mut from, mut metres) = (-60.0, 0.0);
    for &(speed, lasts) in movement {
        metres += speed * (at - from).clamp(0.0, lasts);
        from += lasts;
    }
    metres
}

/// For how long there was rowing between two instants.
fn rowed_for(movement: &[(f64, f64)], from: f64, to: f64) -> f64 {
    let step = (to - from) / 600.0;
    let steps = (0..600).map(|nth| from + step * f64::from(nth));
    steps.filter(|at| truly(movement, at + step) > truly(movement, *at)).count() as f64 * step
}

/// One sample of what the machine truly showed then.
fn shown(movement: &[(f64, f64)], hearing: &Hearing, at: f64) -> Heard {
    let (mut from, mut metres) = (-60.0, hearing.shows);
    // What it shows from before took its time, too.
    let mut ran = hearing.shows / 4.0;
    for &(reset, share) in hearing.resets.iter().filter(|(reset, _)| *reset <= at) {
        metres = share * (metres + truly(movement, reset) - truly(movement, from));
        (from, ran) = (reset, 0.0);
    }
    metres += truly(movement, at) - truly(movement, from);
    let clock = match hearing.clock {
        MachineClock::None => None,
        MachineClock::Runs => Some(ran + at - from),
        MachineClock::Stops => Some(ran + rowed_for(movement, from, at)),
    };
    (at, metres, clock)
}

/// What was rowed before the go and cannot be told apart from what was rowed after it, by the rules (design: Sample): less
/// than one stroke after a silence is taken for the stroke that ended it (18 m, beyond which strokes are flagged); and a
/// clock that stands still while nobody rows suggests that a machine began after the go if it had been rowed for less time
/// than has passed since.
fn untold(movement: &[(f64, f64)], hearing: &Hearing, heard: &[Heard]) -> f64 {
    let after = heard.iter().position(|(at, ..)| *at >= 0.0);
    let Some(&(since, metres, clock)) = after.and_then(|at| heard.get(at)) else { return 0.0 };
    let before = after.and_then(|at| heard.get(at.checked_sub(1)?));
    // Metres are heard in whole decimetres. A reset shows as metres that fall, even a little where the clock falls as well;
    // one that does not show moves nothing.
    let reset = before.is_some_and(|(_, before, ran)| {
        metres < before - 2.0 || (metres < *before && clock < *ran)
    });
    let before = before.filter(|_| !reset);
    let from = before.map_or(0.0, |(_, metres, _)| *metres);
    let unheard = shown(movement, hearing, 0.0).1 - from;
    let ran = clock.zip(before.map_or(Some(0.0), |(.., clock)| *clock)).map(|(to, from)| to - from);
    let stood = hearing.clock == MachineClock::Stops
        && ran.is_some_and(|ran| (0.0..=since + 1.0).contains(&ran));
    let one_stroke = (before.is_some() || (reset && clock.is_some())) && metres - from <= 18.1;
    if stood || one_stroke { unheard.max(0.0) } else { 0.0 }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1_500, ..ProptestConfig::default() })]
    /// Whatever arrives of one true movement, however late, in whatever order, twice or never, from whatever phone, with
    /// resets of the machine: nobody is credited with more than was rowed since the go, beyond what the result leaves open.
    #[test]
    fn nobody_is_ever_given_more_than_was_rowed(
        movement in movement(),
        hearing in hearing(),
        order in prop::collection::vec(any::<prop::sample::Index>(), 0..60),
    ) {
        let (mut at, mut heard, mut kept) = (-60.0, Vec::new(), Vec::new());
        let mut seqs = [0_u32; 4];
        for &(gap, arrives) in &hearing.samples {
            at += gap;
            let phone = hearing.phones.iter().filter(|change| **change <= at).count();
            seqs[phone] += 1;
            if arrives && hearing.arrives(at) {
                let one = shown(&movement, &hearing, at);
                let sample = samples(&[one])[0];
                kept.push((RunId(Uuid::from_u128(phone as u128)), Sample { seq: seqs[phone], ..sample }));
                heard.push(one);
            }
        }
        prop_assume!(!kept.is_empty());
        let mut recording = Recording::default();
        for index in &order {
            let (run, sample) = *index.get(&kept);
            recording.add(NOW, run, &[sample]);
        }
        for (run, sample) in &kept {
            recording.add(NOW, *run, &[*sample]);
        }
        let result = |rule: Rule<'_>| {
            let mut track = Track::default();
            track.advance(0, &recording.points(), rule, |_, _| {});
            (track.finish(rule, NOW), track.marks().collect::<Vec<_>>())
        };
        let since_go = |at: f64| truly(&movement, at) - truly(&movement, 0.0);
        // A counter that falls by two metres or less was rounded, not reset.
        let room = untold(&movement, &hearing, &heard) + 2.0 * hearing.resets.len() as f64;
        let by_time = [time(60, 0)];
        if let (Some(finish), marks) = result(rule(&by_time)) {
            let most = 10.0 * (since_go(60.0) + room) + finish.sure_dm + 2.0;
            prop_assert!(finish.dm <= most, "{finish:?} {marks:?}, at most {most}; {heard:?}");
        }
        let by_distance = [distance(200, 0)];
        if let (Some(finish), marks) = result(rule(&by_distance)) {
            let latest = (finish.ms + finish.sure_ms) / 1e3;
            let rowed = since_go(latest + 0.1) + room;
            prop_assert!(rowed >= 199.8, "{finish:?} {marks:?}, {rowed} m were rowed by then; {heard:?}");
        }
    }
}
