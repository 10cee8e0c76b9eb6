//! Machines that cut off what they report: whole seconds, whole metres, or tenths of them. Whatever the phase of their clock
//! relative to the strokes, a result is right on average, and what is said of how sure it is covers the error.

use thole_piece::{
    recording::Recording,
    track::{Finish, Rule, Track},
};
use thole_protocol::{
    ids::RunId,
    sample::Sample,
    spec::{Extent, Repeat, RepeatStart, StartClock},
    units::{At, Decimetres, Millis},
};
use uuid::Uuid;

const GO: At = At(60_000);
const NOW: At = At(100_000_000);
const PHASES: u32 = 300;
/// The machine is heard at rest from this many seconds before the first stroke.
const AT_REST_S: f64 = 6.0;
/// Reports of a once-a-second machine stray by this many seconds: because of the radio, and of a timer that is not in step
/// with the clock on show. If it were in step, one machine of tenths in ten would show only whole seconds, and be taken for
/// a machine of whole seconds.
const STRAYS_S: f64 = 0.1;

/// Numbers that fill 0 to 1 evenly, each `by` (the roots of x = 1/x^n + 1/x^(n+1) are far from all fractions) in another order.
fn spread(nth: u32, by: f64) -> f64 {
    (f64::from(nth) * by).fract()
}

const BY: [f64; 5] = [
    0.618_033_988_749_895,
    0.754_877_666_246_693,
    0.569_840_290_998_053,
    0.324_717_957_244_746,
    0.819_172_513_396_164,
];

#[derive(Clone, Copy, Debug, PartialEq)]
enum Strokes {
    /// All alike, at one speed throughout.
    Steady,
    /// Up to 8 % longer or shorter and faster or slower, the drive faster than the recovery.
    Uneven,
}

/// Somebody who rows: the ends of the strokes, in seconds after the first one began and in metres.
struct Rower {
    strokes: Strokes,
    ends: Vec<(f64, f64)>,
}

impl Rower {
    /// 1:35 to 2:45 for 500 m at 18 to 36 a minute; a wheel has to be set going.
    fn new(nth: u32, strokes: Strokes, until_s: f64, until_m: f64) -> Rower {
        let speed = 500.0 / (95.0 + 70.0 * spread(nth, BY[3]));
        let usual_s = 60.0 / 36.0 * (1.0 + spread(nth, BY[1]));
        let (mut seconds, mut metres, mut ends) = (0.0, 0.0, vec![(0.0, 0.0)]);
        for stroke in 0.. {
            let strays = |by: f64| match strokes {
                Strokes::Steady => 1.0,
                Strokes::Uneven => 1.0 + 0.16 * (spread(7 * nth + 13 * stroke + 1, by) - 0.5),
            };
            let set_off = [0.62, 0.88].get(stroke as usize).copied().unwrap_or(1.0);
            let takes = usual_s * strays(BY[0]);
            seconds += takes;
            metres += speed * set_off * takes * strays(BY[1]);
            ends.push((seconds, metres));
            if seconds > until_s && metres > until_m {
                break;
            }
        }
        Rower { strokes, ends }
    }

    fn metres(&self, seconds: f64) -> f64 {
        let behind = self.ends.partition_point(|(end, _)| *end <= seconds);
        let (Some(from), Some(to)) = (self.ends.get(behind.wrapping_sub(1)), self.ends.get(behind))
        else {
            return 0.0;
        };
        let part = (seconds - from.0) / (to.0 - from.0);
        let tau = std::f64::consts::TAU;
        let drive = if self.strokes == Strokes::Uneven { 0.15 / tau } else { 0.0 };
        from.1 + (part + drive * libm::sin(tau * part)) * (to.1 - from.1)
    }

    fn seconds(&self, metres: f64) -> f64 {
        let (mut low, mut high) = (0.0, self.ends.last().map_or(0.0, |end| end.0));
        for _ in 0..60 {
            let middle = (low + high) / 2.0;
            if self.metres(middle) < metres { low = middle } else { high = middle }
        }
        high
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Reports {
    OnceAStroke,
    OnceASecond,
    FourASecond,
}

#[derive(Clone, Copy, Debug)]
struct Machine {
    reports: Reports,
    /// What it counts in: milliseconds, decimetres.
    clock_ms: u32,
    metres_dm: u32,
    /// Whether its clock stands in mid-second before the first stroke, from an earlier row.
    has_rowed: bool,
    /// Whether it is set to the piece: it reports the very end, and stops there.
    is_set: bool,
}

const PLAIN: Machine = Machine {
    reports: Reports::OnceASecond,
    clock_ms: 1_000,
    metres_dm: 10,
    has_rowed: false,
    is_set: false,
};

#[expect(clippy::cast_possible_truncation, reason = "minutes and kilometres in small units")]
fn cut_off(number: f64, step: u32) -> i64 {
    let step = f64::from(step);
    // An exact metre is reported as that metre.
    ((number / step + 1e-9).floor() * step).round() as i64
}

impl Machine {
    /// What is heard of the rower, who begins at `began` and reaches the end of the piece this many seconds
    /// later.
    fn heard(self, rower: &Rower, began: f64, end_s: f64, nth: u32) -> Vec<Sample> {
        let last = end_s + 6.0;
        let every = |step: f64| {
            let phase = f64::from(nth) / f64::from(PHASES) * step - AT_REST_S;
            let strays = move |no: u32| STRAYS_S * (spread(nth + no, BY[4]) - 0.5);
            let reports = (0..).map(move |no| phase + step * f64::from(no) + strays(no));
            reports.take_while(|at| *at < last).collect::<Vec<f64>>()
        };
        let mut at = match self.reports {
            Reports::OnceASecond => every(1.0),
            Reports::FourASecond => every(0.25),
            Reports::OnceAStroke => {
                let strokes = rower.ends.iter().skip(1).map(|end| end.0);
                [-AT_REST_S].into_iter().chain(strokes.take_while(|at| *at < last)).collect()
            }
        };
        if self.is_set {
            at.retain(|at| *at < end_s);
            at.extend([end_s, end_s + 1.0]);
        }
        // A machine at rest has been reset, or stands where the last row left it.
        let stood_ms = if self.has_rowed { 1e3 * (12.0 + spread(nth, BY[2])) } else { 0.0 };
        let sample = |(seq, at): (u32, f64)| Sample {
            seq,
            heard_ms: cut_off(began + 1e3 * at + 0.5, 1),
            distance_dm: cut_off(
                10.0 * rower.metres(if self.is_set { at.min(end_s) } else { at }),
                self.metres_dm,
            ),
            elapsed_ms: Some(cut_off(stood_ms + 1e3 * at.max(0.0), self.clock_ms)),
            ..Sample::default()
        };
        (1..).zip(at).map(sample).collect()
    }
}

#[derive(Clone, Copy, Debug)]
enum Work {
    Metres(u32),
    Seconds(u32),
}

fn result(samples: &[Sample], work: Work, clock: StartClock) -> Finish {
    let mut recording = Recording::default();
    recording.add(NOW, RunId(Uuid::nil()), samples);
    let work = match work {
        Work::Metres(metres) => Extent::Distance { distance_dm: Decimetres(10 * metres) },
        Work::Seconds(seconds) => Extent::Time { time_ms: Millis(1_000 * seconds) },
    };
    let repeats = [Repeat { work, rest_ms: Millis(0) }];
    let repeat_start = RepeatStart::CommonSignal;
    let rule = Rule { repeats: &repeats, clock, repeat_start, starts: &[GO], until: None };
    let mut track = Track::default();
    track.advance(0, &recording.points(), rule, |_, _| {});
    track.finish(rule, NOW).expect("the piece was rowed to its end")
}

/// One phase: how far the result is above what was rowed, and within what it claims to be sure; seconds, or metres in a
/// piece by time.
fn one(machine: Machine, strokes: Strokes, work: Work, clock: StartClock, nth: u32) -> (f64, f64) {
    let after_go = match clock {
        StartClock::CommonGo => 0.2 + spread(nth, BY[0]),
        StartClock::OwnFirstStroke => 2.0 + 5.0 * spread(nth, BY[0]),
    };
    let after_go = (1e3 * after_go).round() / 1e3;
    let start = if clock == StartClock::CommonGo { -after_go } else { 0.0 };
    let (until_s, until_m) = match work {
        Work::Metres(metres) => (0.0, f64::from(metres) + 60.0),
        Work::Seconds(seconds) => (f64::from(seconds) + 15.0, 0.0),
    };
    let rower = Rower::new(nth, strokes, until_s, until_m);
    let end_s = match work {
        Work::Metres(metres) => rower.seconds(f64::from(metres)),
        Work::Seconds(seconds) => f64::from(seconds) + start,
    };
    let told =
        result(&machine.heard(&rower, GO.0 as f64 + 1e3 * after_go, end_s, nth), work, clock);
    match work {
        Work::Metres(_) => (told.ms / 1e3 - (end_s - start), told.sure_ms / 1e3),
        Work::Seconds(_) => (told.dm / 1e1 - rower.metres(end_s), told.sure_dm / 1e1),
    }
}

/// Mean and spread of the error over all phases, and the share of them in which it is within what is claimed.
fn measured(machine: Machine, strokes: Strokes, work: Work, clock: StartClock) -> (f64, f64, f64) {
    let all: Vec<_> = (0..PHASES).map(|nth| one(machine, strokes, work, clock, nth)).collect();
    let count = f64::from(PHASES);
    let mean = all.iter().map(|(off, _)| off).sum::<f64>() / count;
    let square = all.iter().map(|(off, _)| (off - mean) * (off - mean)).sum::<f64>() / count;
    // What is reported is rounded to a millisecond.
    let held = all.iter().filter(|(off, sure)| off.abs() <= sure + 0.001).count();
    (mean, libm::sqrt(square), held as f64 / count)
}

/// Every case that misses is named, with its figures; with nothing to compare against, all are.
fn check(
    machines: impl Iterator<Item = Machine>,
    works: &[Work],
    clock: StartClock,
    (most_s, most_m): (f64, f64),
) {
    let mut missed = String::new();
    for machine in machines {
        for (work, strokes) in works
            .iter()
            .flat_map(|work| [Strokes::Steady, Strokes::Uneven].map(|strokes| (*work, strokes)))
        {
            let (mean, spread, held) = measured(machine, strokes, work, clock);
            let most = if matches!(work, Work::Metres(_)) { most_s } else { most_m };
            let says = format!(
                "{clock:?} {work:?} {strokes:?} {machine:?}: {mean:+.3}, spread {spread:.3}, held {held:.3}\n"
            );
            println!("{says}");
            if mean.abs() >= most || held < 0.95 {
                missed += &says;
            }
        }
    }
    assert!(missed.is_empty(), "{missed}");
}

const SHORT: [Work; 2] = [Work::Metres(500), Work::Seconds(60)];
const LONG: [Work; 2] = [Work::Metres(2_000), Work::Seconds(1_200)];
const GOAL: (f64, f64) = (0.03, 0.15);

fn machines(reports: &[Reports]) -> impl Iterator<Item = Machine> {
    let steps = [1_000, 100, 10].into_iter().flat_map(|ms| [10, 1].map(|dm| (ms, dm)));
    let of = |reports: Reports| {
        move |(clock_ms, metres_dm)| Machine { reports, clock_ms, metres_dm, ..PLAIN }
    };
    reports
        .iter()
        .flat_map(|reports| steps.clone().map(of(*reports)))
        .collect::<Vec<_>>()
        .into_iter()
}

const USUAL: [Reports; 2] = [Reports::OnceASecond, Reports::OnceAStroke];

/// From a common go, the machine's clock has no part in a result.
#[test]
fn a_result_from_the_go_is_right_on_average_whatever_the_machine_cuts_off() {
    check(machines(&USUAL), &SHORT, StartClock::CommonGo, GOAL);
    check(machines(&[Reports::FourASecond]), &SHORT, StartClock::CommonGo, GOAL);
}

/// The athlete's own first stroke is known from the machine's clock: half of what that cuts off is in it.
#[test]
fn a_result_from_the_own_first_stroke_is_right_on_average_whatever_the_machine_cuts_off() {
    check(machines(&USUAL), &SHORT, StartClock::OwnFirstStroke, GOAL);
}

#[test]
fn long_pieces_are_no_less_right() {
    for clock in [StartClock::CommonGo, StartClock::OwnFirstStroke] {
        let coarse_and_fine = |machine: &Machine| {
            [(1_000, 10), (10, 1)].contains(&(machine.clock_ms, machine.metres_dm))
        };
        check(machines(&USUAL).filter(coarse_and_fine), &LONG, clock, GOAL);
    }
}

/// A clock that stands in mid-second before the first stroke cuts off as much at both ends, and none of that is made up for.
/// The start is then known to a second either way, and where it cannot have been that late the rest is a little early: up to
/// 0.08 s.
#[test]
fn a_clock_that_stood_in_mid_second_is_given_no_half_second() {
    let has_rowed = |machine| Machine { has_rowed: true, ..machine };
    check(machines(&USUAL).map(has_rowed), &SHORT, StartClock::OwnFirstStroke, (0.08, 0.65));
}

/// A machine that is set to the distance stops at it, and reports that moment: nothing is added to it.
#[test]
fn a_machine_that_is_set_to_the_distance_tells_the_finish() {
    for machine in machines(&[Reports::OnceASecond, Reports::OnceAStroke, Reports::FourASecond]) {
        let machine = Machine { is_set: true, ..machine };
        for nth in 0..PHASES {
            let (off, _) =
                one(machine, Strokes::Uneven, Work::Metres(500), StartClock::CommonGo, nth);
            // Heard in whole milliseconds.
            assert!(off.abs() < 0.001, "{off} {machine:?} {nth}");
        }
    }
}
