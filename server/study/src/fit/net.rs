//! The network while it learns: forwards, backwards, and steps by Adam.

use rand_chacha::ChaCha8Rng;
use thole_piece::projection::{ANSWERS, FIRST, INPUTS, LayerFile, SECOND, bent};

use super::network::{Example, even, kept};

/// Exponents are kept within these, as in the model.
const EXPONENT: (f32, f32) = (-8.0, 1.0);
/// Where the exponents of the spreads begin: about 3 %.
const FIRST_EXPONENT: f32 = -3.5;
/// What the median's answer is worth, as in the model.
const MEDIAN_UNIT: f32 = 0.05;
/// The quantile loss is rounded off within this, in slack.
const ROUNDED: f32 = 1e-3;
/// Weights shrink by this part of a step.
const DECAY: f32 = 3e-4;
/// Networks that learn the same thing from different beginnings: the mean of their answers misses by 2 % less than each
/// alone.
pub(super) const NETS: usize = 2;
/// Cells of one of them.
const ONE: usize = FIRST / NETS;
/// Cells of its second layer.
const TWO: usize = SECOND / NETS;

/// One network while it learns.
#[derive(Clone)]
pub(super) struct Net {
    first: Layer<INPUTS, ONE>,
    second: Layer<ONE, TWO>,
    last: Layer<TWO, ANSWERS>,
}

impl Net {
    pub(super) fn zero() -> Net {
        Net {
            first: ([[0.0; ONE]; INPUTS], [0.0; ONE]),
            second: ([[0.0; TWO]; ONE], [0.0; TWO]),
            last: ([[0.0; ANSWERS]; TWO], [0.0; ANSWERS]),
        }
    }

    /// Small random weights, so that no two cells are alike.
    pub(super) fn begun(chance: &mut ChaCha8Rng) -> Net {
        let mut net = Net::zero();
        let mut fill = |weights: &mut [f32], inputs: usize| {
            for weight in weights {
                let size = libm::sqrt(3.0 / inputs as f64);
                #[expect(clippy::cast_possible_truncation, reason = "the net reckons in 32 bits")]
                let number = ((2.0 * even(chance) - 1.0) * size) as f32;
                *weight = number;
            }
        };
        fill(net.first.0.as_flattened_mut(), INPUTS);
        fill(net.second.0.as_flattened_mut(), ONE);
        fill(net.last.0.as_flattened_mut(), TWO * 9);
        net.last.1 = [0.0, FIRST_EXPONENT, FIRST_EXPONENT];
        net
    }

    /// All numbers, in one order.
    fn numbers(&mut self) -> impl Iterator<Item = &mut f32> {
        let Net { first, second, last } = self;
        let first = first.0.as_flattened_mut().iter_mut().chain(&mut first.1);
        let second = second.0.as_flattened_mut().iter_mut().chain(&mut second.1);
        first.chain(second).chain(last.0.as_flattened_mut().iter_mut().chain(&mut last.1))
    }

    /// All of them side by side in one, which answers with their mean.
    pub(super) fn kept(nets: &[Net; NETS]) -> Vec<LayerFile> {
        let mut all = (
            ([[0.0; FIRST]; INPUTS], [0.0; FIRST]),
            ([[0.0; SECOND]; FIRST], [0.0; SECOND]),
            ([[0.0; ANSWERS]; SECOND], [0.0; ANSWERS]),
        );
        for (number, net) in nets.iter().enumerate() {
            beside(&mut all.0, &net.first, (0, number * ONE), 1.0);
            beside(&mut all.1, &net.second, (number * ONE, number * TWO), 1.0);
            beside(&mut all.2, &net.last, (number * TWO, 0), 1.0 / NETS as f32);
        }
        vec![layer(&all.0), layer(&all.1), layer(&all.2)]
    }

    /// Adds the slope of one example's loss; returns the loss.
    pub(super) fn learn(&self, example: &Example, slope: &mut Net) -> f32 {
        let first = pass(&self.first, &example.inputs).map(bent);
        let second = pass(&self.second, &first).map(bent);
        let [median, faster, slower] = pass(&self.last, &second);
        let unit = MEDIAN_UNIT * example.weight;
        let median = unit * median;
        let spread = |exponent: f32| {
            let inside = (EXPONENT.0..=EXPONENT.1).contains(&exponent);
            #[expect(clippy::cast_possible_truncation, reason = "the net reckons in 32 bits")]
            let spread =
                example.wider * libm::exp(f64::from(exponent.clamp(EXPONENT.0, EXPONENT.1))) as f32;
            (spread, if inside { spread } else { 0.0 })
        };
        let ((down, down_slope), (up, up_slope)) = (spread(faster), spread(slower));
        let (loss, by_median) = pinball(example.truth - median, 0.5);
        let (loss_low, by_low) = pinball(example.truth - (median - down), 0.1);
        let (loss_high, by_high) = pinball(example.truth - (median + up), 0.9);
        let out = [unit * (by_median + by_low + by_high), -down_slope * by_low, up_slope * by_high];
        let to_second = unpass(&self.last, &second, &out, &mut slope.last);
        let to_first = unpass(&self.second, &first, &unbent(&second, to_second), &mut slope.second);
        unpass(&self.first, &example.inputs, &unbent(&first, to_first), &mut slope.first);
        loss + loss_low + loss_high
    }
}

type Layer<const IN: usize, const OUT: usize> = ([[f32; OUT]; IN], [f32; OUT]);

/// Adds this much of a small layer to a large one, from this input and this cell on.
fn beside<const IN: usize, const OUT: usize, const ALL_IN: usize, const ALL_OUT: usize>(
    all: &mut Layer<ALL_IN, ALL_OUT>,
    one: &Layer<IN, OUT>,
    (input, cell): (usize, usize),
    part: f32,
) {
    let add = |sums: &mut [f32; ALL_OUT], weights: &[f32; OUT]| {
        for (sum, weight) in sums.iter_mut().skip(cell).zip(weights) {
            *sum += part * weight;
        }
    };
    for (sums, weights) in all.0.iter_mut().skip(input).zip(&one.0) {
        add(sums, weights);
    }
    add(&mut all.1, &one.1);
}

fn layer<const IN: usize, const OUT: usize>(layer: &Layer<IN, OUT>) -> LayerFile {
    let kept = |numbers: &[f32]| numbers.iter().map(|number| kept(f64::from(*number))).collect();
    LayerFile { weights: kept(layer.0.as_flattened()), biases: kept(&layer.1) }
}

fn pass<const IN: usize, const OUT: usize>(
    layer: &Layer<IN, OUT>,
    inputs: &[f32; IN],
) -> [f32; OUT] {
    let mut cells = layer.1;
    for (input, weights) in inputs.iter().zip(&layer.0) {
        for (cell, weight) in cells.iter_mut().zip(weights) {
            *cell += input * weight;
        }
    }
    cells
}

/// Takes the slope of a layer's cells back to its inputs, and adds that of its weights.
fn unpass<const IN: usize, const OUT: usize>(
    layer: &Layer<IN, OUT>,
    inputs: &[f32; IN],
    out: &[f32; OUT],
    slope: &mut Layer<IN, OUT>,
) -> [f32; IN] {
    let mut back = [0.0; IN];
    for (sum, out) in slope.1.iter_mut().zip(out) {
        *sum += out;
    }
    let rows = inputs.iter().zip(&layer.0).zip(&mut slope.0).zip(&mut back);
    for (((input, weights), sums), back) in rows {
        for ((weight, sum), out) in weights.iter().zip(sums).zip(out) {
            *sum += input * out;
            *back += weight * out;
        }
    }
    back
}

fn unbent<const N: usize>(cells: &[f32; N], mut slope: [f32; N]) -> [f32; N] {
    for (slope, cell) in slope.iter_mut().zip(cells) {
        *slope *= 1.0 - cell * cell;
    }
    slope
}

/// The quantile loss of an error (truth less guess), and its slope with respect to the guess.
fn pinball(error: f32, share: f32) -> (f32, f32) {
    let loss = if error >= 0.0 { share * error } else { (share - 1.0) * error };
    // A straight line from one slope to the other around the point, so that the steps come to an end.
    let part = ((error + ROUNDED) / (2.0 * ROUNDED)).clamp(0.0, 1.0);
    (loss, -(share - 1.0 + part))
}

/// Means of the slopes and of their squares.
pub(super) struct Adam {
    mean: Vec<f32>,
    square: Vec<f32>,
    faded: (f32, f32),
}

impl Default for Adam {
    fn default() -> Adam {
        Adam { mean: Vec::new(), square: Vec::new(), faded: (1.0, 1.0) }
    }
}

impl Adam {
    pub(super) fn step(&mut self, net: &mut Net, slope: &Net, examples: f32, size: f32) {
        const FADE: (f32, f32) = (0.9, 0.999);
        const TINY: f32 = 1e-8;
        let mut slope = slope.clone();
        let slopes: Vec<f32> = slope.numbers().map(|slope| *slope / examples).collect();
        self.mean.resize(slopes.len(), 0.0);
        self.square.resize(slopes.len(), 0.0);
        self.faded = (self.faded.0 * FADE.0, self.faded.1 * FADE.1);
        let kept = self.mean.iter_mut().zip(&mut self.square);
        for ((number, slope), (mean, square)) in net.numbers().zip(slopes).zip(kept) {
            *mean = FADE.0 * *mean + (1.0 - FADE.0) * slope;
            *square = FADE.1 * *square + (1.0 - FADE.1) * slope * slope;
            let (mean, square) = (*mean / (1.0 - self.faded.0), *square / (1.0 - self.faded.1));
            *number -= size * (mean / (square.sqrt() + TINY) + DECAY * *number);
        }
    }
}
