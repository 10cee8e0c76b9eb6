//! What is odd about a target, put to the coach as a question before the start, with its likely cause; an odd
//! target is never refused.

use thole_protocol::{
    question::{Odd, Question},
    spec::{Aim, PieceSpec, Target},
    total::Total,
    units::{Decimetres, Millis, decimetres, millis},
};

use crate::{
    limits::{Measure, clock, metres, target_cost},
    plan::of_legs,
};

/// Slower than this nobody is known to row a piece, seconds per 500 m: the slowest published 2000 m, by a woman of 96,
/// was at 3:36 (14:23.1, World Rowing 2018).
const SLOWEST_S: f64 = 240.0;
/// A pace between these, seconds per 500 m, is a usual one when nothing else is known (common practice, no source).
const USUAL_S: (f64, f64) = (80.0, 180.0);
/// Past results of the same piece tell what somebody rows to within this share; a season changes less (our
/// choice).
const PAST_SHARE: f64 = 0.16;
/// In one class the slowest takes at most half as long again as the middle (our choice: 8:52 and 6:31 row
/// together, which is a third).
const OTHERS_SHARE: f64 = 0.5;
/// The middle of fewer targets than these says nothing (our choice).
const OTHERS_MIN: usize = 4;
/// Legs come to the target to within this share: their paces are typed to the tenth of a second (our choice).
const LEGS_SHARE: f64 = 0.001;
/// Distances that are rowed often, the most usual first (common practice, no source), metres.
const OFTEN_M: [u32; 12] =
    [2_000, 5_000, 500, 1_000, 6_000, 10_000, 3_000, 1_500, 4_000, 250, 100, 21_097];

/// The middle of all targets of one piece.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Middle(Option<f64>);

impl Middle {
    /// The median pace of these aims, if there are enough of them to say something.
    #[must_use]
    pub fn of<'a>(piece: &PieceSpec, aims: impl Iterator<Item = &'a Aim>) -> Middle {
        let Some(measure) = Measure::of(piece) else { return Middle::default() };
        let paces = aims.filter_map(|aim| pace_s(measure, aim.target.as_ref()?));
        Middle(median(paces.collect(), OTHERS_MIN))
    }
}

/// What the coach should be asked about one athlete's aim for a piece; `others` are the other pieces of the
/// session.
///
/// ```
/// use thole_piece::question::{Middle, question};
/// use thole_protocol::{
///     spec::{Aim, Extent, PieceSpec, Repeat, Target},
///     units::{Decimetres, Millis},
/// };
/// let work = Extent::Distance { distance_dm: Decimetres(5_000) };
/// let piece = PieceSpec::of(vec![Repeat { work, rest_ms: Millis(0) }]);
/// let target = Some(Target::Finish { finish_ms: Millis(460_000) });
/// let aim = Aim { target, ..Aim::default() };
/// let asked = question(&piece, &aim, Middle::default(), &[]).map(|question| question.says);
/// let says = "7:40.0 for 500 m is slower than anybody is known to row. 7:40.0 fits 2,000 m. Is it right?";
/// assert_eq!(asked.as_deref(), Some(says));
/// ```
#[must_use]
pub fn question(
    piece: &PieceSpec,
    aim: &Aim,
    middle: Middle,
    others: &[&PieceSpec],
) -> Option<Question> {
    let measure = Measure::of(piece)?;
    let target = aim.target?;
    let pace = pace_s(measure, &target)?;
    let legs = of_legs(measure, &aim.plan);
    let legs = legs.and_then(|legs| Some((legs, pace_s(measure, &legs)? / pace)));
    let legs = legs.filter(|(_, ratio)| (ratio - 1.0).abs() > LEGS_SHARE);
    let past = aim.history.iter().filter_map(|past| pace_s(measure, &past.result));
    let past = median(past.collect(), 1);
    let (why, reference) = match (past, middle.0) {
        (Some(past), _) => (Odd::UnlikePast, Some((past, PAST_SHARE))),
        (None, Some(middle)) => (Odd::UnlikeOthers, Some((middle, OTHERS_SHARE))),
        (None, None) => (Odd::TooSlow, None),
    };
    let is_usual = |pace: f64| match reference {
        Some((reference, share)) => (1.0 - share..=1.0 + share).contains(&(pace / reference)),
        None => (USUAL_S.0..=USUAL_S.1).contains(&pace),
    };
    let of_it = of_it(measure, &target);
    let odd = if pace > SLOWEST_S && past.is_none() {
        Some((Odd::TooSlow, format!("{of_it} is slower than anybody is known to row.")))
    } else {
        reference.filter(|_| !is_usual(pace)).map(|(reference, _)| {
            let than =
                if why == Odd::UnlikePast { "their past results" } else { "most others here" };
            (why, format!("{of_it} is {} than {than}.", by_how_much(pace / reference)))
        })
    };
    let (why, odd, cause) = match (odd, legs) {
        (Some((why, odd)), Some((legs, _))) => {
            (why, odd, Some(format!("The legs come to {}.", amount(legs))))
        }
        (Some((why, odd)), None) => (why, odd, cause(measure, &target, is_usual, others)),
        (None, Some((legs, ratio))) => {
            let says = format!(
                "The legs come to {}, and the target is {}: all of them are planned {} than they say.",
                amount(legs),
                amount(target_cost(measure, &target).ok()?.into()),
                by_how_much(1.0 / ratio)
            );
            (Odd::UnlikeLegs, says, None)
        }
        (None, None) => return None,
    };
    let cause = cause.map_or(String::new(), |cause| format!(" {cause}"));
    Some(Question { why, says: format!("{odd}{cause} Is it right?") })
}

/// `8:00.0`, `4,800 m`.
fn amount(target: Target) -> String {
    match target {
        Target::Finish { finish_ms } | Target::Pace { per_500m_ms: finish_ms } => clock(finish_ms),
        Target::Distance { distance_dm } => metres(distance_dm),
    }
}

/// What is asked about a target that was to be carried over to a piece, and is faster than anybody rows it.
#[must_use]
pub fn left_out(piece: &PieceSpec, target: &Target) -> Option<Question> {
    let refusal = target_cost(Measure::of(piece)?, target).err()?;
    let says = format!("The previous target was not carried over. {}", refusal.says);
    Some(Question { why: Odd::LeftOut, says })
}

/// `7:40.0 for 500 m`, `2,400 m in 20:00.0`, `A pace of 2:05.0`.
fn of_it(measure: Measure, target: &Target) -> String {
    match (target, measure) {
        (Target::Finish { finish_ms }, Measure::Distance(whole)) => {
            format!("{} for {}", clock(*finish_ms), metres(whole))
        }
        (Target::Distance { distance_dm }, Measure::Time(whole)) => {
            format!("{} in {}", metres(*distance_dm), clock(whole))
        }
        (Target::Pace { per_500m_ms }, _) => format!("A pace of {}", clock(*per_500m_ms)),
        (Target::Finish { finish_ms }, Measure::Time(_)) => clock(*finish_ms),
        (Target::Distance { distance_dm }, Measure::Distance(_)) => metres(*distance_dm),
    }
}

/// `23 % slower`, `four times slower`.
fn by_how_much(ratio: f64) -> String {
    let percent = |share: f64| millis(share * 1e2).0;
    let tenths = |share: f64| f64::from(millis(share * 1e3).0) / 1e1;
    if (ratio - 1.0).abs() < 0.0095 {
        let way = if ratio >= 1.0 { "slower" } else { "faster" };
        format!("{} % {way}", tenths((ratio - 1.0).abs()))
    } else if ratio >= 1.0 {
        format!("{} % slower", percent(ratio - 1.0))
    } else {
        format!("{} % faster", percent(1.0 - ratio))
    }
}

/// How an unusual target may have come about: the likeliest slip that, undone, gives a usual one.
fn cause(
    measure: Measure,
    target: &Target,
    is_usual: impl Fn(f64) -> bool,
    others: &[&PieceSpec],
) -> Option<String> {
    let fits = |measure: Measure, target: Target| pace_s(measure, &target).is_some_and(&is_usual);
    let pieces = others.iter().filter_map(|piece| Measure::of(piece));
    let often = OFTEN_M.iter().map(|metres| Measure::Distance(Decimetres(10 * metres)));
    match *target {
        Target::Finish { finish_ms } | Target::Pace { per_500m_ms: finish_ms } => {
            let by_hours = Millis(finish_ms.0 / 60);
            let again = |time: Millis| match target {
                Target::Pace { .. } => Target::Pace { per_500m_ms: time },
                Target::Finish { .. } | Target::Distance { .. } => {
                    Target::Finish { finish_ms: time }
                }
            };
            let as_finish = Target::Finish { finish_ms };
            let another = pieces.chain([measure]).find(|other| fits(*other, as_finish));
            if let Some(Measure::Distance(whole)) = another {
                return Some(format!("{} fits {}.", clock(finish_ms), metres(whole)));
            }
            let as_pace = Target::Pace { per_500m_ms: finish_ms };
            if as_pace != *target && fits(measure, as_pace) {
                return Some(format!("{} fits as a pace for 500 m.", clock(finish_ms)));
            }
            if fits(measure, again(by_hours)) {
                return Some(format!("{} fits: minutes may stand for hours.", clock(by_hours)));
            }
            let often = often.into_iter().find(|often| fits(*often, as_finish));
            let Some(Measure::Distance(whole)) = often else { return None };
            Some(format!("{} fits {}.", clock(finish_ms), metres(whole)))
        }
        Target::Distance { distance_dm } => {
            let another = pieces.into_iter().find(|other| fits(*other, *target));
            if let Some(Measure::Time(whole)) = another {
                return Some(format!("{} fits {}.", metres(distance_dm), clock(whole)));
            }
            let with_nought = decimetres(f64::from(distance_dm.0) * 1e1);
            fits(measure, Target::Distance { distance_dm: with_nought })
                .then(|| format!("{} fits: a zero may be missing.", metres(with_nought)))
        }
    }
}

/// Mean pace of a target, seconds per 500 m; `None` when nobody can row it, or it is of the wrong kind.
fn pace_s(measure: Measure, target: &Target) -> Option<f64> {
    let (seconds, metres) = match (measure, target_cost(measure, target).ok()?) {
        (Measure::Distance(distance), Total::Time { finish_ms: time }) => {
            (f64::from(time.0) / 1e3, f64::from(distance.0) / 1e1)
        }
        (Measure::Time(time), Total::Distance { distance_dm: distance }) => {
            (f64::from(time.0) / 1e3, f64::from(distance.0) / 1e1)
        }
        (Measure::Distance(_), Total::Distance { .. }) | (Measure::Time(_), Total::Time { .. }) => {
            return None;
        }
    };
    Some(seconds * 500.0 / metres)
}

/// The median of at least this many; with two in the middle, the slower one.
fn median(mut paces: Vec<f64>, least: usize) -> Option<f64> {
    if paces.len() < least {
        return None;
    }
    paces.sort_unstable_by(f64::total_cmp);
    paces.get(paces.len() / 2).copied()
}
