//! How an athlete means to spread a piece: targets, plans and their splits, pace and power.

use thole_protocol::{
    refusal::{Refusal, Why},
    spec::{Aim, Extent, Leg, PieceSpec, Plan, Target},
    total::{Gap, Margin, Total},
    units::{Decimetres, Millis, decimetres, millis, nearest, ppm},
};

use crate::{
    limits::{LEGS, Measure, SPEED_MAX, SPEEDS, clock, metres, out_of_range, target_cost},
    projection::{Believed, Ground, Known, Past},
};

/// Watts at 1 m/s on an air-braked machine, W s³/m³: common practice, no source.
pub const WATTS_AT_ONE_M_S: f64 = 2.80;

/// Speed of each quarter of the distance in % of the mean: elite 2000 m on the ergometer.
/// Garland SW (2005) Br J Sports Med 39:39-42.
const FAST_START: [f64; 4] = [101.5, 99.8, 99.0, 99.7];
/// Second half faster than the first: common practice, no published table found.
const NEGATIVE_SPLIT: [f64; 4] = [98.5, 99.5, 100.5, 101.5];
/// The fastest of twenty relative speeds against the slowest: anything beyond is a slip of the keyboard.
const SPEEDS_RATIO_MAX: u32 = 5;
/// Slowest pace of a leg, milliseconds per 500 m: an hour, so that the legs still mean something.
const LEG_PACE_MAX: Millis = Millis(3_600_000);
/// Stretches of the work that the projection looks at: 2.5 % each.
pub const BINS: usize = 40;

/// Everything about one athlete in one piece that does not change while it is rowed.
///
/// `x` is always the share of the work done (of the distance, or of the time), and the cost is what that
/// takes: seconds in a piece by distance, metres in a piece by time.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    measure: Measure,
    repeats: u16,
    /// Metres or seconds.
    work: f64,
    target: Option<Total>,
    past: Option<Past>,
    /// Corners of the plan: share of the work, share of the cost; both only rise, from 0 to 1.
    knots: Vec<(f64, f64)>,
    /// Share of the cost at each 2.5 % of the work.
    at_bins: [f64; BINS + 1],
    known: Known,
}

impl Course {
    /// The course of one athlete through a piece that `limits::check_piece` has found good.
    ///
    /// # Errors
    /// The target, the plan or a past result does not fit the piece; says which, and what to do.
    pub fn of(piece: &PieceSpec, aim: &Aim) -> Result<Course, Refusal> {
        let Some(measure) = Measure::of(piece) else {
            return Err(out_of_range("A piece needs work of one kind.".to_owned()));
        };
        Course::new(measure, piece.repeats.len(), aim)
    }

    /// The course of one athlete through this much work in this many repeats.
    ///
    /// # Errors
    /// The target, the plan or a past result does not fit the piece; says which, and what to do.
    pub fn new(measure: Measure, repeats: usize, aim: &Aim) -> Result<Course, Refusal> {
        let work = match measure {
            Measure::Distance(distance) => f64::from(distance.0) / 1e1,
            Measure::Time(time) => f64::from(time.0) / 1e3,
        };
        if work <= 0.0 {
            return Err(out_of_range("A piece needs some work.".to_owned()));
        }
        check_plan(measure, &aim.plan)?;
        let target = aim.target.or_else(|| of_legs(measure, &aim.plan));
        let target = target.map(|target| target_cost(measure, &target)).transpose()?;
        let knots = knots(measure, &aim.plan);
        let mut at_bins = [0.0; BINS + 1];
        for (bin, at) in (0_u8..).zip(&mut at_bins) {
            *at = along(&knots, f64::from(bin) / BINS as f64);
        }
        let repeats = u16::try_from(repeats).unwrap_or(u16::MAX);
        let past = Past::of(measure, aim)?;
        let amount = target.map(Total::amount);
        let ground = Ground { measure, repeats, work, target: amount, past, at_bins: &at_bins };
        Ok(Course {
            known: Known::of(ground),
            measure,
            repeats,
            work,
            target,
            past,
            knots,
            at_bins,
        })
    }

    /// The whole work.
    #[must_use]
    pub fn measure(&self) -> Measure {
        self.measure
    }

    /// How many repeats the work comes in.
    #[must_use]
    pub fn repeats(&self) -> u16 {
        self.repeats
    }

    /// The whole work in metres or seconds.
    #[must_use]
    pub fn work(&self) -> f64 {
        self.work
    }

    /// Their own target.
    #[must_use]
    pub fn target(&self) -> Option<Total> {
        self.target
    }

    /// Their own target in seconds or metres.
    #[must_use]
    pub fn target_amount(&self) -> Option<f64> {
        self.target.map(Total::amount)
    }

    /// What is known from before.
    #[must_use]
    pub fn past(&self) -> Option<Past> {
        self.past
    }

    /// What the projection knows of it before the first stroke.
    #[must_use]
    pub fn known(&self) -> &Known {
        &self.known
    }

    /// The same, going by only as much of it as is believed.
    pub(crate) fn known_by(&self, believed: Believed) -> Known {
        let (target, past) = match believed {
            Believed::All => return self.known,
            Believed::Target => (self.target, None),
            Believed::Past => (None, self.past),
            Believed::Nothing => (None, None),
        };
        let Course { measure, repeats, work, ref at_bins, .. } = *self;
        let target = target.map(Total::amount);
        Known::of(Ground { measure, repeats, work, target, past, at_bins })
    }

    /// Share of the cost that the plan has spent when the share `x` of the work is done.
    #[must_use]
    pub fn share(&self, x: f64) -> f64 {
        along(&self.knots, x)
    }

    /// `share` at each 2.5 % of the work.
    #[must_use]
    pub fn share_at_bins(&self) -> &[f64; BINS + 1] {
        &self.at_bins
    }

    /// What the plan has spent, in seconds or metres, when the share `x` of the work is done; `None` without
    /// a target.
    #[must_use]
    pub fn planned(&self, x: f64) -> Option<f64> {
        self.target_amount().map(|target| target * self.share(x))
    }

    /// The pace that the plan asks for around the share `x` of the work (over 2.5 % of it), milliseconds per 500
    /// m; `None` without a target.
    #[must_use]
    pub fn planned_pace(&self, x: f64) -> Option<Millis> {
        const HALF: f64 = 0.0125;
        let (from, to) = ((x - HALF).clamp(0.0, 1.0), (x + HALF).clamp(0.0, 1.0));
        let cost = self.planned(to)? - self.planned(from)?;
        let work = self.work * (to - from);
        match self.measure {
            Measure::Distance(_) => pace_per_500m(work, cost),
            Measure::Time(_) => pace_per_500m(cost, work),
        }
    }

    /// A finish (seconds or metres) against their own target, plus = ahead; `None` without a target.
    #[must_use]
    pub fn margin(&self, finish: f64) -> Option<Margin> {
        self.target.map(|target| margin(target, finish))
    }
}

/// A finish (seconds or metres) against a target of the same kind, plus = ahead.
#[must_use]
pub fn margin(target: Total, finish: f64) -> Margin {
    let ahead = match target {
        Total::Time { .. } => target.amount() - finish,
        Total::Distance { .. } => finish - target.amount(),
    };
    let margin_ppm = ppm(ahead / target.amount());
    let gap = match target {
        Total::Time { .. } => Gap::Time(nearest(ahead * 1e3)),
        Total::Distance { .. } => Gap::Distance(nearest(ahead * 1e1)),
    };
    Margin { margin_ppm, gap }
}

fn length(extent: Extent) -> u32 {
    match extent {
        Extent::Distance { distance_dm } => distance_dm.0,
        Extent::Time { time_ms } => time_ms.0,
    }
}

/// Whether a plan fits a piece.
///
/// # Errors
/// `OutOfRange` for legs that do not add up or values outside their range, `Unrowable` for a leg that
/// nobody can row.
pub fn check_plan(measure: Measure, plan: &Plan) -> Result<(), Refusal> {
    match plan {
        Plan::Even | Plan::FastStart | Plan::NegativeSplit => Ok(()),
        Plan::Legs { legs } => check_legs(measure, legs),
        Plan::Speeds { speeds_ppm } => check_speeds(speeds_ppm),
    }
}

fn check_legs(measure: Measure, legs: &[Leg]) -> Result<(), Refusal> {
    if !LEGS.contains(&legs.len()) {
        return Err(out_of_range(format!("A plan has {} to {} legs.", LEGS.start(), LEGS.end())));
    }
    let mut sum = 0_u64;
    for (number, leg) in (1..).zip(legs) {
        sum += match (measure, leg.length) {
            (Measure::Distance(_), Extent::Distance { distance_dm }) => u64::from(distance_dm.0),
            (Measure::Time(_), Extent::Time { time_ms }) => u64::from(time_ms.0),
            (Measure::Distance(_), Extent::Time { .. }) => {
                return Err(out_of_range(format!(
                    "This piece is by distance: give leg {number} a distance."
                )));
            }
            (Measure::Time(_), Extent::Distance { .. }) => {
                return Err(out_of_range(format!(
                    "This piece is by time: give leg {number} a time."
                )));
            }
        };
        if length(leg.length) == 0 || leg.per_500m_ms.0 == 0 || leg.per_500m_ms > LEG_PACE_MAX {
            return Err(out_of_range(format!(
                "Leg {number} needs a length and a pace of at most an hour for 500 m."
            )));
        }
        let fastest = 500.0 / SPEED_MAX;
        if f64::from(leg.per_500m_ms.0) / 1e3 < fastest {
            return Err(Refusal {
                why: Why::Unrowable,
                says: format!(
                    "Nobody rows leg {number} at {} for 500 m: set {} or slower.",
                    clock(leg.per_500m_ms),
                    clock(millis((fastest * 1e1).ceil() * 1e2)),
                ),
            });
        }
    }
    let whole = match measure {
        Measure::Distance(distance) => u64::from(distance.0),
        Measure::Time(time) => u64::from(time.0),
    };
    if sum == whole {
        return Ok(());
    }
    let sum = u32::try_from(sum).unwrap_or(u32::MAX);
    let (sum, whole) = match measure {
        Measure::Distance(distance) => (exact_metres(Decimetres(sum)), exact_metres(distance)),
        Measure::Time(time) => (exact_clock(Millis(sum)), exact_clock(time)),
    };
    Err(out_of_range(format!(
        "The legs add up to {sum}, but the piece is {whole}: change a leg so that they match."
    )))
}

/// What the legs of a plan come to when each is rowed as it says; `None` for any other plan, or for legs that do not
/// fit.
#[must_use]
pub fn of_legs(measure: Measure, plan: &Plan) -> Option<Target> {
    let Plan::Legs { legs } = plan else { return None };
    check_legs(measure, legs).ok()?;
    let amount = |leg: &Leg| {
        let (length, pace_ms) = (f64::from(length(leg.length)), f64::from(leg.per_500m_ms.0));
        match measure {
            // Decimetres of a leg, at this many milliseconds per 5,000 of them.
            Measure::Distance(_) => length * pace_ms / 5e3,
            Measure::Time(_) => length * 5e3 / pace_ms,
        }
    };
    let sum: f64 = legs.iter().map(amount).sum();
    Some(match measure {
        Measure::Distance(_) => Target::Finish { finish_ms: millis(sum) },
        Measure::Time(_) => Target::Distance { distance_dm: decimetres(sum) },
    })
}

/// To the decimetre, so that two unequal sums never look equal.
fn exact_metres(distance: Decimetres) -> String {
    match distance.0 % 10 {
        0 => metres(distance),
        tenth => metres(Decimetres(distance.0 - tenth)).replace(" m", &format!(".{tenth} m")),
    }
}

/// To the millisecond when it matters, so that two unequal sums never look equal.
fn exact_clock(time: Millis) -> String {
    match time.0 % 100 {
        0 => clock(time),
        rest => format!("{}{rest:02}", clock(Millis(time.0 - rest))),
    }
}

fn check_speeds(speeds_ppm: &[u32]) -> Result<(), Refusal> {
    if speeds_ppm.len() != SPEEDS {
        return Err(out_of_range(format!(
            "A plan by speeds has {SPEEDS} of them, one for each 5 % of the work, not {}.",
            speeds_ppm.len()
        )));
    }
    let slowest = speeds_ppm.iter().copied().min().unwrap_or(0);
    let fastest = speeds_ppm.iter().copied().max().unwrap_or(0);
    if slowest == 0 || fastest / slowest >= SPEEDS_RATIO_MAX {
        return Err(out_of_range(format!(
            "The speeds of a plan must be above zero and within a factor of {SPEEDS_RATIO_MAX}: \
             level them."
        )));
    }
    Ok(())
}

/// The corners of a plan that `check_plan` has found good.
fn knots(measure: Measure, plan: &Plan) -> Vec<(f64, f64)> {
    match plan {
        Plan::Even => vec![(0.0, 0.0), (1.0, 1.0)],
        Plan::FastStart => of_quarters(measure, &FAST_START),
        Plan::NegativeSplit => of_quarters(measure, &NEGATIVE_SPLIT),
        Plan::Legs { legs } => normalised(legs.iter().map(|leg| {
            let work = f64::from(length(leg.length));
            let pace = f64::from(leg.per_500m_ms.0);
            match measure {
                Measure::Distance(_) => (work, work * pace),
                Measure::Time(_) => (work, work / pace),
            }
        })),
        Plan::Speeds { speeds_ppm } => normalised(speeds_ppm.iter().map(|&speed| match measure {
            Measure::Distance(_) => (1.0, 1.0 / f64::from(speed)),
            Measure::Time(_) => (1.0, f64::from(speed)),
        })),
    }
}

/// Both published profiles are given by quarters of the distance, even when the piece is by time.
fn of_quarters(measure: Measure, speeds: &[f64; 4]) -> Vec<(f64, f64)> {
    normalised(speeds.iter().map(|speed| match measure {
        Measure::Distance(_) => (1.0, 1.0 / speed),
        Measure::Time(_) => (1.0 / speed, 1.0),
    }))
}

/// Corners of the curve that these stretches (work, cost) make, scaled to end at exactly 1 and 1.
fn normalised(stretches: impl Iterator<Item = (f64, f64)>) -> Vec<(f64, f64)> {
    let (mut work, mut cost) = (0.0, 0.0);
    let mut knots = vec![(0.0, 0.0)];
    for (more_work, more_cost) in stretches {
        work += more_work;
        cost += more_cost;
        knots.push((work, cost));
    }
    for knot in &mut knots {
        *knot = (knot.0 / work, knot.1 / cost);
    }
    knots
}

fn along(knots: &[(f64, f64)], x: f64) -> f64 {
    between(knots, x, |knot| knot)
}

/// Straight lines between the corners; constant before the first and after the last.
fn between(knots: &[(f64, f64)], at: f64, seen: impl Fn((f64, f64)) -> (f64, f64)) -> f64 {
    let after = knots.partition_point(|&knot| seen(knot).0 <= at);
    match (after.checked_sub(1).and_then(|before| knots.get(before)), knots.get(after)) {
        (Some(&before), Some(&after)) => {
            let ((x0, y0), (x1, y1)) = (seen(before), seen(after));
            y0 + (y1 - y0) * ((at - x0) / (x1 - x0))
        }
        (Some(&last), None) => seen(last).1,
        (None, _) => 0.0,
    }
}

/// Pace of a stretch, milliseconds per 500 m; `None` when nothing was covered, or so little that the pace is
/// over an hour.
///
/// ```
/// use thole_piece::plan::pace_per_500m;
/// use thole_protocol::units::Millis;
/// assert_eq!(pace_per_500m(1_700.0, 306.0), Some(Millis(90_000)));
/// assert_eq!(pace_per_500m(0.0, 2.5), None);
/// ```
#[must_use]
pub fn pace_per_500m(distance_m: f64, time_s: f64) -> Option<Millis> {
    if distance_m <= 0.0 || time_s <= 0.0 {
        return None;
    }
    let pace = millis(time_s / distance_m * 500.0 * 1e3);
    (pace <= LEG_PACE_MAX).then_some(pace)
}
