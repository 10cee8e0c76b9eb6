//! Past pieces as the fit needs them: what was known beforehand, and the cost at each 2.5 % of the work.

use std::{fs::File, path::Path};

use thole_piece::{
    Session,
    plan::{BINS, Course},
    projection::{Done, Live},
};
use thole_protocol::spec::{Aim, Extent, PieceSpec};

use crate::{
    Logged,
    recorded::{self, Kind, Recorded, Row, each_line},
};

/// One athlete's finished piece.
#[derive(Clone, Debug)]
pub struct Past {
    /// Who rowed it together.
    pub group: String,
    /// Its name, to report its error separately.
    pub piece: String,
    /// What was rowed.
    pub spec: PieceSpec,
    /// Target, plan, past results.
    pub aim: Aim,
    /// The same, ready to use.
    pub course: Course,
    /// Cost (seconds or metres) at each 2.5 % of the work; the last is the result.
    pub edges: [f64; BINS + 1],
}

impl Past {
    /// A past piece; `None` when its edges do not rise.
    #[must_use]
    pub fn of(
        group: String,
        piece: String,
        spec: PieceSpec,
        aim: Aim,
        edges: [f64; BINS + 1],
    ) -> Option<Past> {
        let course = Course::of(&spec, &aim).ok()?;
        let rises = edges.windows(2).all(|pair| matches!(pair, [from, to] if to >= from));
        let real = rises && edges.last().is_some_and(|result| *result > 0.0);
        real.then_some(Past { group, piece, spec, aim, course, edges })
    }

    /// The result, seconds or metres.
    #[must_use]
    pub fn result(&self) -> f64 {
        self.edges.last().copied().unwrap_or(0.0)
    }

    /// Cost at a share of the work, on a straight line between the edges.
    #[must_use]
    pub fn cost(&self, x: f64) -> f64 {
        let along = x.clamp(0.0, 1.0) * BINS as f64;
        let bin = passed(x).min(BINS - 1);
        let edge = |number: usize| self.edges.get(number).copied().unwrap_or(0.0);
        edge(bin) + (edge(bin + 1) - edge(bin)) * (along - bin as f64)
    }

    /// What the projection would have had at a share of the work.
    #[must_use]
    pub fn live(&self, x: f64) -> Live {
        let edges = self.edges.get(1..=passed(x)).unwrap_or(&[]);
        let now = Done { work: x * self.course.work(), cost: self.cost(x) };
        Live::recorded(&self.course, edges, now)
    }
}

/// Bins passed at a share of the work.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "between 0 and 40; `as` from f64 saturates"
)]
pub(super) fn passed(x: f64) -> usize {
    (x * BINS as f64 + 1e-9) as usize
}

/// All finished pieces of these files.
///
/// # Errors
/// One sentence: which file or line cannot be used.
pub fn read(files: &[impl AsRef<Path>]) -> Result<Vec<Past>, String> {
    let mut all = Vec::new();
    for path in files {
        let path = path.as_ref();
        let named = |what: String| format!("{}: {what}", path.display());
        let file = File::open(path)
            .map_err(|error| format!("{} cannot be opened: {error}.", path.display()))?;
        each_line(file, |recorded| {
            all.extend(of_recorded(recorded)?);
            Ok(())
        })
        .map_err(named)?;
    }
    Ok(all)
}

/// All finished pieces of a session.
#[must_use]
pub fn of_session(logged: &Logged) -> Vec<Past> {
    let mut session = Session::new();
    for (at, input) in &logged.records {
        session.apply(*at, input);
    }
    let pieces = session.finishes().filter_map(|(piece, rower)| {
        let group = format!("{} {}", logged.name, piece.no.0);
        let (name, aim) = (named(&piece.spec), rower.aim().clone());
        Past::of(group, name, piece.spec.clone(), aim, *rower.live().edges())
    });
    pieces.collect()
}

/// A piece by its work: `4 x 425 m`, `1200 s`.
fn named(spec: &PieceSpec) -> String {
    let each = match spec.repeats.first().map(|repeat| repeat.work) {
        Some(Extent::Distance { distance_dm }) => format!("{} m", distance_dm.0 / 10),
        Some(Extent::Time { time_ms }) => format!("{} s", time_ms.0 / 1_000),
        None => String::new(),
    };
    match spec.repeats.len() {
        0 | 1 => each,
        many => format!("{many} x {each}"),
    }
}

/// `None` for an athlete who did not finish.
fn of_recorded(recorded: Recorded) -> Result<Option<Past>, String> {
    let (spec, aim) = (recorded::spec(&recorded)?, recorded::aim(&recorded)?);
    let rows = recorded::rows(&recorded)?;
    let whole = f64::from(recorded.reps) * recorded.rep_size;
    let Some(edges) = edges(&rows, recorded.kind, whole) else { return Ok(None) };
    Ok(Past::of(recorded.group, recorded.piece, spec, aim, edges))
}

/// Cost at each 2.5 % of the work, from rows in any order; `None` when they end before the finish.
fn edges(rows: &[Row], kind: Kind, whole: f64) -> Option<[f64; BINS + 1]> {
    let mut rows: Vec<&Row> = rows.iter().filter(|row| row.seq.is_some()).collect();
    rows.sort_by_key(|row| row.seq);
    let mut edges = [0.0; BINS + 1];
    let mut next = 1;
    let mut before = (0.0, 0.0);
    for row in rows {
        let here = match kind {
            Kind::Distance => (row.metres, row.seconds),
            Kind::Time => (row.seconds, row.metres),
        };
        while let Some(edge) = edges.get_mut(next) {
            // The sum of splits may stop a rounding error short of the end.
            let wanted = whole * next as f64 / BINS as f64 - if next == BINS { 1e-6 } else { 0.0 };
            if here.0 < wanted || here.0 <= before.0 {
                break;
            }
            *edge = before.1 + (here.1 - before.1) * (wanted - before.0) / (here.0 - before.0);
            next += 1;
        }
        before = here;
    }
    (next > BINS).then_some(edges)
}
