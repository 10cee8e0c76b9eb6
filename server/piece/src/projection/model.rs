//! The model behind the projection: two small networks side by side, fitted to past pieces by `thole-server fit`.

use std::sync::{Arc, LazyLock};

use serde::{Deserialize, Serialize};

use super::live::INPUTS;

/// Cells of the first inner layer.
pub const FIRST: usize = 48;
/// Cells of the second inner layer.
pub const SECOND: usize = 24;
/// Answers: the median, and the spreads on the faster and on the slower side.
pub const ANSWERS: usize = 3;
/// Shares of the piece between which the widening follows straight lines.
pub const KNOTS: [f64; 7] = [0.03, 0.1, 0.25, 0.5, 0.75, 0.9, 0.97];
/// Version of the file's format.
pub const FORMAT: u16 = 2;
/// The file's numbers are whole: they count hundred-thousandths.
pub const SCALE: f64 = 1e5;
/// A weight beyond this is a mistake.
const NUMBER_MAX: i32 = 100_000_000;
/// A name is shown to the coach and kept in every journal.
const NAME_MAX: usize = 80;
/// What the median's answer is worth, in slack.
const MEDIAN_UNIT: f32 = 0.05;
/// Exponents of the spreads are kept within these.
const EXPONENT: (f32, f32) = (-8.0, 1.0);

/// A model as it is kept: in a file, and in the journal of each session that used it.
///
/// Whole numbers in hundred-thousandths, so that it reads the same everywhere.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ModelFile {
    /// Version of this format.
    pub format: u16,
    /// What it is called: what it was fitted to, and how.
    pub name: String,
    /// Mean of each input.
    pub mean: Vec<i32>,
    /// Standard deviation of each input.
    pub deviation: Vec<i32>,
    /// The three layers, from the inputs to the answers.
    pub layers: Vec<LayerFile>,
    /// Factor of the spreads at each knot.
    pub widening: Vec<i32>,
    /// What is known before the piece.
    pub before: BeforeFile,
}

/// One layer of a model.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LayerFile {
    /// For each input of the layer, a weight for each of its cells, one after the other.
    pub weights: Vec<i32>,
    /// One for each cell.
    pub biases: Vec<i32>,
}

/// What past results, or a target alone, say about a finish, in slack.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BeforeFile {
    /// Share of the best past result's distance from the target that turns out to be true.
    pub past_holds: i32,
    /// Spread on the faster and on the slower side with past results.
    pub with_past: [i32; 2],
    /// The same with only a target, and where the middle lies then.
    pub with_target: [i32; 3],
}

/// A model that can be asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Model {
    name: String,
    mean: [f32; INPUTS],
    /// One over the standard deviation.
    per_deviation: [f32; INPUTS],
    first: Layer<INPUTS, FIRST>,
    second: Layer<FIRST, SECOND>,
    last: Layer<SECOND, ANSWERS>,
    widening: [f64; KNOTS.len()],
    before: Before,
}

/// What past results, or a target alone, say about a finish, in slack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Before {
    /// Share of the best past result's distance from the target that turns out to be true.
    pub past_holds: f64,
    /// Spread on the faster and on the slower side with past results.
    pub with_past: [f64; 2],
    /// The same with only a target.
    pub with_target: [f64; 2],
    /// Where the middle lies with only a target.
    pub target_middle: f64,
}

/// What the model answers, in slack.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Answer {
    /// How much slower than the base the rest will be.
    pub over_base: f64,
    /// From the median to the 10 % point.
    pub faster: f64,
    /// From the median to the 90 % point.
    pub slower: f64,
}

#[derive(Clone, Debug, PartialEq)]
struct Layer<const IN: usize, const OUT: usize> {
    /// By input, so that one pass adds an input to all cells at once.
    weights: [[f32; OUT]; IN],
    biases: [f32; OUT],
}

static SHIPPED: LazyLock<Arc<Model>> = LazyLock::new(|| {
    let file: ModelFile = serde_json::from_str(include_str!("shipped.json"))
        .expect("the shipped model is read by every test");
    Arc::new(Model::of(&file).expect("the shipped model is checked by every test"))
});

impl Model {
    /// The model that ships: fitted to the simulated pieces of the rehearsal data.
    #[must_use]
    pub fn shipped() -> Arc<Model> {
        Arc::clone(&SHIPPED)
    }

    /// The file of the shipped model.
    #[must_use]
    pub fn shipped_text() -> &'static str {
        include_str!("shipped.json")
    }

    /// A model from its kept form.
    ///
    /// One sentence saying what is wrong with the file and what to do.
    pub fn of(file: &ModelFile) -> Result<Model, String> {
        if file.format != FORMAT {
            return Err(format!(
                "This projection model has format {}, and this server reads format {FORMAT}: make \
                 it again with this server's `fit`.",
                file.format
            ));
        }
        if file.name.is_empty() || file.name.chars().count() > NAME_MAX {
            return Err(format!("A projection model needs a name of 1 to {NAME_MAX} characters."));
        }
        let mean = numbers::<INPUTS>(&file.mean, "mean")?;
        let deviation = numbers::<INPUTS>(&file.deviation, "deviation")?;
        if deviation.iter().any(|deviation| *deviation <= 0.0) {
            return Err(broken("deviation", "holds a number that is not above 0"));
        }
        let [first, second, last] = file.layers.as_slice() else {
            return Err(broken("number of layers", "is not 3"));
        };
        let widening = wide::<{ KNOTS.len() }>(&file.widening, "widening")?;
        let before = &file.before;
        let with_past = wide::<2>(&before.with_past, "with_past")?;
        let [target_middle, faster, slower] = wide::<3>(&before.with_target, "with_target")?;
        let spreads = with_past.iter().chain(&widening).chain([&faster, &slower]);
        if spreads.into_iter().any(|spread| *spread <= 0.0) {
            return Err(broken("widening or before", "holds a spread that is not above 0"));
        }
        let [past_holds] = wide::<1>(&[before.past_holds], "past_holds")?;
        Ok(Model {
            name: file.name.clone(),
            mean,
            per_deviation: deviation.map(|deviation| 1.0 / deviation),
            first: Layer::of(first, "first layer")?,
            second: Layer::of(second, "second layer")?,
            last: Layer::of(last, "last layer")?,
            widening,
            before: Before { past_holds, with_past, with_target: [faster, slower], target_middle },
        })
    }

    /// What it is called.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What is known before the piece.
    #[must_use]
    pub fn before(&self) -> Before {
        self.before
    }

    /// What the rest of the piece will be, from the inputs at share `x` of the work.
    #[must_use]
    pub fn answer(&self, x: f64, inputs: &[f32; INPUTS]) -> Answer {
        let mut standard = *inputs;
        let scales = self.mean.iter().zip(&self.per_deviation);
        for (input, (mean, per_deviation)) in standard.iter_mut().zip(scales) {
            *input = (*input - mean) * per_deviation;
        }
        let first = self.first.pass(&standard).map(bent);
        let second = self.second.pass(&first).map(bent);
        let [median, faster, slower] = self.last.pass(&second);
        let wider = widened(&self.widening, x);
        let spread =
            |exponent: f32| wider * libm::exp(f64::from(exponent.clamp(EXPONENT.0, EXPONENT.1)));
        Answer {
            over_base: f64::from(MEDIAN_UNIT * median),
            faster: spread(faster),
            slower: spread(slower),
        }
    }
}

impl<const IN: usize, const OUT: usize> Layer<IN, OUT> {
    fn of(file: &LayerFile, what: &str) -> Result<Self, String> {
        let biases = numbers::<OUT>(&file.biases, what)?;
        if file.weights.len() != IN * OUT {
            return Err(broken(what, &format!("needs {} weights", IN * OUT)));
        }
        let mut weights = [[0.0; OUT]; IN];
        for (row, kept) in weights.iter_mut().zip(file.weights.chunks_exact(OUT)) {
            *row = numbers::<OUT>(kept, what)?;
        }
        Ok(Layer { weights, biases })
    }

    fn pass(&self, inputs: &[f32; IN]) -> [f32; OUT] {
        let mut cells = self.biases;
        for (input, weights) in inputs.iter().zip(&self.weights) {
            for (cell, weight) in cells.iter_mut().zip(weights) {
                *cell += input * weight;
            }
        }
        cells
    }
}

/// The hyperbolic tangent by its continued fraction (Lambert 1761), cut off after the seventh step: bit for
/// bit the same on every platform, and within 0.0002 everywhere.
#[must_use]
pub fn bent(x: f32) -> f32 {
    /// Beyond this the fraction would leave ±1.
    const END: f32 = 4.97;
    let x = x.clamp(-END, END);
    let square = x * x;
    let over = x * (135_135.0 + square * (17_325.0 + square * (378.0 + square)));
    let under = 135_135.0 + square * (62_370.0 + square * (3_150.0 + square * 28.0));
    over / under
}

/// A factor at share `x`, on a straight line between the knots.
#[must_use]
pub fn widened(at_knots: &[f64; KNOTS.len()], x: f64) -> f64 {
    let mut knots = KNOTS.iter().zip(at_knots);
    let Some((mut from, mut low)) = knots.next() else { return 1.0 };
    for (to, high) in knots {
        if x < *to {
            let part = ((x - from) / (to - from)).max(0.0);
            return low + (high - low) * part;
        }
        (from, low) = (to, high);
    }
    *low
}

fn broken(what: &str, why: &str) -> String {
    format!(
        "This is not a projection model: its {what} {why}. Make it again with `thole-server fit`."
    )
}

fn numbers<const N: usize>(kept: &[i32], what: &str) -> Result<[f32; N], String> {
    #[expect(clippy::cast_possible_truncation, reason = "the model reckons in 32 bits")]
    wide::<N>(kept, what).map(|numbers| numbers.map(|number| number as f32))
}

fn wide<const N: usize>(kept: &[i32], what: &str) -> Result<[f64; N], String> {
    let kept: &[i32; N] = kept
        .try_into()
        .map_err(|_| broken(what, &format!("holds {} numbers, not {N}", kept.len())))?;
    if kept.iter().any(|number| number.checked_abs().is_none_or(|number| number > NUMBER_MAX)) {
        return Err(broken(what, "holds a number beyond 1,000"));
    }
    Ok(kept.map(|number| f64::from(number) / SCALE))
}
