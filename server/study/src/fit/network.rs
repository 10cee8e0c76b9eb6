//! The fit itself: quantile regression (Koenker and Bassett 1978, Econometrica 46:33-50) by a small
//! network, steps by Adam (Kingma and Ba 2015, International Conference on Learning Representations).
//!
//! Everything is computed in one order with arithmetic that is the same everywhere, so the same pieces and
//! the same seed make the same file.

use rand_chacha::{
    ChaCha8Rng,
    rand_core::{Rng, SeedableRng},
};
use thole_piece::{
    limits::Measure,
    plan::{BINS, Course},
    projection::{BeforeFile, Done, FORMAT, INPUTS, KNOTS, Live, Model, ModelFile, SCALE},
};
use thole_protocol::spec::{Aim, Plan};

use super::{
    Divided,
    net::{Adam, NETS, Net},
    past::{Past, passed},
};

/// How much work goes into a fit.
#[derive(Clone, Copy, Debug)]
pub struct Effort {
    /// How many times to go through all examples.
    pub rounds: u32,
    /// Moments at which each piece is looked at.
    pub moments: usize,
}

impl Default for Effort {
    fn default() -> Effort {
        Effort { rounds: 100, moments: 26 }
    }
}

/// Examples that make up one step.
const BATCH: usize = 1_024;
/// Size of the first steps; it falls to zero along a cosine.
const STEP: f32 = 3e-3;
/// Truth beyond this (a stop of several minutes) counts as this far, in slack.
const TRUTH_MAX: f64 = 0.4;
/// Out of a hundred pieces, this many get the half metre of error of a machine in whole metres …
const WHOLE_METRES: u64 = 35;
/// … this many are looked at without their past results in their second half …
const NO_PAST: u64 = 50;
/// … and this many without their target.
const NO_TARGET: u64 = 20;
/// … and this many with a plan other than theirs: many do not row to one.
const OTHER_PLAN: u64 = 12;

/// One moment of a past piece.
#[derive(Clone, Copy)]
pub(super) struct Example {
    x: f64,
    pub(super) inputs: [f32; INPUTS],
    /// How much slower than the base the rest was, in slack.
    pub(super) truth: f32,
    /// The weight of the model's answer.
    pub(super) weight: f32,
    /// How many times as wide as the model says the range is drawn.
    pub(super) wider: f32,
}

/// Fits a model; reports after each round how large the loss was.
#[must_use]
pub fn fitted(
    divided: &Divided,
    name: &str,
    seed: u64,
    effort: Effort,
    mut told: impl FnMut(u32, f64),
) -> ModelFile {
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let mut examples = examples(&divided.fit, effort.moments, &mut chance);
    let (mean, deviation) = scales(&examples);
    for example in &mut examples {
        for (input, (mean, deviation)) in example.inputs.iter_mut().zip(mean.iter().zip(&deviation))
        {
            *input = (*input - mean) / deviation;
        }
    }
    let nets: [Net; NETS] = std::array::from_fn(|number| {
        let before = u32::try_from(number).unwrap_or(0) * effort.rounds;
        learnt(&examples, effort, &mut chance, |round, loss| told(before + round, loss))
    });
    let mut file = ModelFile {
        format: FORMAT,
        name: name.to_owned(),
        mean: mean.iter().map(|number| kept(f64::from(*number))).collect(),
        deviation: deviation.iter().map(|number| kept(f64::from(*number)).max(1)).collect(),
        layers: Net::kept(&nets),
        widening: vec![kept(1.0); KNOTS.len()],
        before: before(&divided.fit),
    };
    let seen = self::examples(&divided.widen, effort.moments, &mut chance);
    if let Ok(model) = Model::of(&file) {
        file.widening = widening(&model, &seen);
    }
    file
}

/// One network, after all rounds.
fn learnt(
    examples: &[Example],
    effort: Effort,
    chance: &mut ChaCha8Rng,
    mut told: impl FnMut(u32, f64),
) -> Net {
    let mut net = Net::begun(chance);
    let mut adam = Adam::default();
    let mut order: Vec<usize> = (0..examples.len()).collect();
    let steps = (examples.len().div_ceil(BATCH) * effort.rounds as usize).max(1);
    let mut step = 0_usize;
    for round in 1..=effort.rounds {
        mix(&mut order, chance);
        let mut loss = 0.0;
        for batch in order.chunks(BATCH) {
            let mut slope = Net::zero();
            for at in batch {
                let Some(example) = examples.get(*at) else { continue };
                loss += f64::from(net.learn(example, &mut slope));
            }
            let part = step as f64 / steps as f64;
            #[expect(clippy::cast_possible_truncation, reason = "the net reckons in 32 bits")]
            let size = STEP * (0.5 * (1.0 + libm::cos(std::f64::consts::PI * part))) as f32;
            #[expect(clippy::cast_precision_loss, reason = "a batch is small")]
            adam.step(&mut net, &slope, batch.len() as f32, size);
            step += 1;
        }
        told(round, loss / examples.len().max(1) as f64);
    }
    net
}

/// Puts names into an order that depends on the seed alone.
pub(super) fn shuffle(names: &mut [String], seed: u64) {
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    for last in (1..names.len()).rev() {
        names.swap(last, below(&mut chance, last + 1));
    }
}

fn mix(order: &mut [usize], chance: &mut ChaCha8Rng) {
    for last in (1..order.len()).rev() {
        order.swap(last, below(chance, last + 1));
    }
}

/// 0 to `most` - 1.
fn below(chance: &mut ChaCha8Rng, most: usize) -> usize {
    let most = u64::try_from(most).unwrap_or(u64::MAX).max(1);
    usize::try_from(chance.next_u64() % most).unwrap_or(0)
}

/// 0 to 1.
pub(super) fn even(chance: &mut ChaCha8Rng) -> f64 {
    /// 2^53, the steps of a float below 1.
    const STEPS: f64 = 9_007_199_254_740_992.0;
    (chance.next_u64() >> 11) as f64 / STEPS
}

fn happens(chance: &mut ChaCha8Rng, of_hundred: u64) -> bool {
    chance.next_u64() % 100 < of_hundred
}

/// Moments of past pieces: each piece twice, once as it was and once with less known about it.
fn examples(pieces: &[Past], moments: usize, chance: &mut ChaCha8Rng) -> Vec<Example> {
    let mut all = Vec::with_capacity(pieces.len() * moments * 2);
    for past in pieces {
        for second in [false, true] {
            let no_past = second && happens(chance, NO_PAST);
            let no_target = second && happens(chance, NO_TARGET);
            let aim = Aim {
                target: past.aim.target.filter(|_| !no_target),
                history: if no_past { Vec::new() } else { past.aim.history.clone() },
                plan: if second && happens(chance, OTHER_PLAN) {
                    other_plan(chance)
                } else {
                    past.aim.plan.clone()
                },
            };
            let Ok(course) = Course::of(&past.spec, &aim) else { continue };
            let blurred = happens(chance, WHOLE_METRES);
            let seen = if blurred { blur(past, chance) } else { past.clone() };
            for _ in 0..moments {
                let x = 0.02 + 0.97 * even(chance);
                let cost = seen.cost(x) + wander(past, x, chance);
                all.extend(example(&course, past, &seen, x, cost));
            }
        }
    }
    all
}

fn other_plan(chance: &mut ChaCha8Rng) -> Plan {
    match below(chance, 3) {
        0 => Plan::Even,
        1 => Plan::FastStart,
        _ => Plan::NegativeSplit,
    }
}

/// The piece as a machine that counts in whole metres would have reported it.
fn blur(past: &Past, chance: &mut ChaCha8Rng) -> Past {
    let mut seen = past.clone();
    let mut before = 0.0;
    let bin = past.course.work() / BINS as f64;
    let inner = past.edges.windows(2).zip(seen.edges.iter_mut().skip(1)).take(BINS - 1);
    for (pair, edge) in inner {
        let &[from, to] = pair else { continue };
        let off_m = even(chance) - 0.5;
        let off = match past.course.measure() {
            Measure::Distance(_) => off_m * (to - from) / bin,
            Measure::Time(_) => off_m,
        };
        *edge = (*edge + off).max(before);
        before = *edge;
    }
    seen
}

/// How far the cost may be off the straight line between two edges, at random: the line knows where the next
/// edge is, and nobody does who is still on the way to it.
fn wander(past: &Past, x: f64, chance: &mut ChaCha8Rng) -> f64 {
    /// Share of the unrest from edge to edge that is found between two edges (our choice).
    const PART: f64 = 0.6;
    let mut sum = 0.0;
    for three in past.edges.windows(3) {
        let &[from, middle, to] = three else { continue };
        let step = (to - 2.0 * middle + from) / (to - from).max(1e-9);
        sum += (4.0 * step * step).min(0.02);
    }
    let unrest = libm::sqrt(sum / (BINS - 1) as f64);
    let along = x * BINS as f64;
    let within = along - libm::floor(along);
    // The sum of twelve uniform numbers is near enough to a normal one.
    let normal = (0..12).map(|_| even(chance)).sum::<f64>() - 6.0;
    let bin = past.result() / BINS as f64;
    PART * unrest * bin * normal * libm::sqrt(within * (1.0 - within))
}

fn example(course: &Course, past: &Past, seen: &Past, x: f64, cost: f64) -> Option<Example> {
    let edges = seen.edges.get(1..=passed(x)).unwrap_or(&[]);
    let least = edges.last().copied().unwrap_or(0.0);
    let now = Done { work: x * course.work(), cost: cost.max(least) };
    let asked = Live::recorded(course, edges, now).asked(course);
    let rest = asked.reference * (1.0 - asked.share);
    let left = past.result() - asked.cost;
    if rest <= 0.0 || left <= 0.0 {
        return None;
    }
    let slack = match course.measure() {
        Measure::Distance(_) => libm::log(left / rest),
        Measure::Time(_) => libm::log(rest / left),
    };
    #[expect(clippy::cast_possible_truncation, reason = "the net reckons in 32 bits")]
    let of_asked = |number: f64| number as f32;
    let truth = of_asked((slack - asked.base).clamp(-TRUTH_MAX, TRUTH_MAX));
    let (weight, wider) = (of_asked(asked.weight), of_asked(asked.wider));
    Some(Example { x, inputs: asked.inputs, truth, weight, wider })
}

/// Mean and standard deviation of each input.
fn scales(examples: &[Example]) -> ([f32; INPUTS], [f32; INPUTS]) {
    /// Below this an input counts as never changing, and is left as it is.
    const LEAST: f64 = 1e-3;
    let count = examples.len().max(1) as f64;
    let (mut sums, mut squares) = ([0.0_f64; INPUTS], [0.0_f64; INPUTS]);
    for example in examples {
        for ((sum, square), input) in sums.iter_mut().zip(&mut squares).zip(example.inputs) {
            *sum += f64::from(input);
            *square += f64::from(input) * f64::from(input);
        }
    }
    let (mut mean, mut deviation) = ([0.0; INPUTS], [1.0; INPUTS]);
    for (at, (sum, square)) in sums.iter().zip(&squares).enumerate() {
        let middle = sum / count;
        let spread = libm::sqrt((square / count - middle * middle).max(0.0));
        let (Some(mean), Some(deviation)) = (mean.get_mut(at), deviation.get_mut(at)) else {
            continue;
        };
        // As they will be read back from the file.
        #[expect(clippy::cast_possible_truncation, reason = "the net reckons in 32 bits")]
        {
            *mean = (f64::from(kept(middle)) / SCALE) as f32;
            *deviation =
                if spread < LEAST { 1.0 } else { (f64::from(kept(spread)) / SCALE) as f32 };
        }
    }
    (mean, deviation)
}

/// A number as the file keeps it.
#[expect(clippy::cast_possible_truncation, reason = "within the file's bounds; `as` saturates")]
pub(super) fn kept(number: f64) -> i32 {
    libm::round(number * SCALE) as i32
}

/// What past results and a target alone say about a finish.
fn before(pieces: &[Past]) -> BeforeFile {
    let slack = |past: &Past| {
        let reference = past.course.known().reference;
        match past.course.measure() {
            Measure::Distance(_) => libm::log(past.result() / reference),
            Measure::Time(_) => libm::log(reference / past.result()),
        }
    };
    let aims = || pieces.iter().filter(|past| past.course.target().is_some());
    let with_past: Vec<(f64, f64)> = aims()
        .filter(|past| past.course.past().is_some())
        .map(|past| (past.course.known().best, slack(past)))
        .collect();
    let (across, along) = with_past.iter().fold((0.0, 1e-9), |(across, along), (best, slack)| {
        (across + best * slack, along + best * best)
    });
    let holds = (across / along).clamp(0.0, 1.0);
    let left: Vec<f64> = with_past.iter().map(|(best, slack)| slack - holds * best).collect();
    let alone: Vec<f64> = aims().map(slack).collect();
    let spread = |values: &[f64], middle: f64| {
        let point = |share: f64| (point_of(values, share) - middle).abs().max(0.005);
        [point(0.1), point(0.9)]
    };
    let middle = point_of(&alone, 0.5);
    let [faster, slower] = spread(&alone, middle);
    BeforeFile {
        past_holds: kept(holds),
        with_past: spread(&left, 0.0).map(kept),
        with_target: [middle, faster, slower].map(kept),
    }
}

/// The value below which this share of the values lies; 0 if there are none.
fn point_of(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place in the list; `as` from f64 saturates"
    )]
    let at = (share * sorted.len() as f64) as usize;
    sorted.get(at.min(sorted.len().saturating_sub(1))).copied().unwrap_or(0.0)
}

/// How much wider the spreads must be, near each knot, to hold eight in ten in practice.
fn widening(model: &Model, seen: &[Example]) -> Vec<i32> {
    /// A moment this near to a knot counts for it, as a share of the way to the next.
    const NEAR: f64 = 0.6;
    /// Fewer moments tell nothing.
    const LEAST: usize = 50;
    /// Eight in ten, near enough: early on, what was known before makes the guess better than the model's own; live rows
    /// are a stroke old, which is much of what is left at nine tenths; and the last ones tell where between two edges
    /// somebody is, which past pieces do not.
    const HELD: [f64; KNOTS.len()] = [0.79, 0.76, 0.79, 0.79, 0.79, 0.82, 0.74];
    let mut factors = Vec::with_capacity(KNOTS.len());
    for (at, (knot, held)) in KNOTS.iter().zip(HELD).enumerate() {
        let other = |at: Option<usize>| at.and_then(|at| KNOTS.get(at)).copied();
        let low = other(at.checked_sub(1)).unwrap_or(0.0);
        let high = other(at.checked_add(1)).unwrap_or(1.0);
        let (from, to) = (knot - NEAR * (knot - low), knot + NEAR * (high - knot));
        let near = seen.iter().filter(|example| (from..to).contains(&example.x));
        let ratios: Vec<f64> = near
            .map(|example| {
                let answer = model.answer(example.x, &example.inputs);
                let off = f64::from(example.truth) - f64::from(example.weight) * answer.over_base;
                let spread = if off > 0.0 { answer.slower } else { answer.faster };
                off.abs() / (f64::from(example.wider) * spread)
            })
            .collect();
        let factor = if ratios.len() < LEAST { 1.0 } else { point_of(&ratios, held) };
        factors.push(kept(factor.clamp(0.3, 5.0)));
    }
    factors
}
