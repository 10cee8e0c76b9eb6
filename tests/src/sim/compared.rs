//! What two lives of one seed end in, compared: faults change no result, and where they may have, that is said.

use std::collections::{BTreeMap, BTreeSet};

use thole_protocol::{
    ids::AthleteId,
    spec::{Extent, PieceSpec, RepeatStart},
    standing::{AthleteResult, Mark, Outcome},
    total::Certainty,
    units::{Decimetres, Millis},
};

use super::{Tally, life::Life};

/// What a life ends in; athletes by the identities that they have in it, whatever the server has called those who
/// joined.
#[derive(Default)]
pub(super) struct Lived {
    /// Of each piece.
    pub(super) results: Vec<Vec<AthleteResult>>,
    /// Pieces in which the session's clock was set by devices, and who rowed on then.
    pub(super) clocks_set: BTreeMap<usize, BTreeSet<AthleteId>>,
    /// Pieces in which it jumped, because too few devices had the time to say so.
    pub(super) bent: BTreeSet<usize>,
    /// By piece, who was not heard to stop before it was over.
    pub(super) unsaid: BTreeSet<(usize, AthleteId)>,
    /// The journal has lost more than strokes: what that may have affected stays marked.
    pub(super) is_marked: bool,
    /// And orders, or what they depended on.
    pub(super) has_lost_orders: bool,
}

impl Lived {
    /// Whether an athlete's result, in a life with its faults, is the one of the life in peace, as far as it has to be.
    fn has_as_in_peace(
        &self,
        piece: usize,
        result: &AthleteResult,
        calm: &AthleteResult,
        tally: &mut Tally,
    ) -> bool {
        // In a piece by time, somebody who comes back after it is over has no word left to say.
        if calm.outcome == Outcome::Stopped
            && result.outcome == Outcome::Finished
            && self.unsaid.contains(&(piece, calm.athlete))
        {
            tally.add("stopped without a word");
            return true;
        }
        let mut result = result.clone();
        if let Some(rowed_on) = self.clocks_set.get(&piece) {
            let is_marked = result.marks.contains(&Mark::ClocksApart);
            if !is_marked && rowed_on.contains(&calm.athlete) {
                return false;
            }
            result.marks.retain(|mark| *mark != Mark::ClocksApart);
        }
        if self.is_marked {
            result.marks.retain(|mark| *mark != Mark::Damaged);
        }
        // Half a unit rounds to either side when the session is much older, as it is after its clock has
        // jumped.
        let is_near = match (result.sure, calm.sure) {
            (Certainty::Time(Millis(one)), Certainty::Time(Millis(other))) => near(one, other),
            (Certainty::Distance(Decimetres(one)), Certainty::Distance(Decimetres(other))) => {
                near(one, other)
            }
            _ => false,
        };
        if is_near {
            result.sure = calm.sure;
        }
        result == *calm
    }
}

/// Compares a life with its faults with the same life in peace.
pub(super) fn compare(life: &Life, calm: &Lived, rough: &Lived, tally: &mut Tally) {
    let seed = life.seed;
    if rough.has_lost_orders {
        return;
    }
    for (piece, spec) in life.pieces.iter().enumerate() {
        if matches!(spec.repeats.first().map(|r| r.work), Some(Extent::Time { .. })) {
            tally.add("piece by time");
        }
        if spec.repeats.len() > 1 {
            let own = spec.repeat_start == RepeatStart::OwnRest;
            tally.add(if own { "life with own rests" } else { "life with common repeats" });
        }
        if rough.bent.contains(&piece) {
            tally.add("piece whose clock leapt");
            continue;
        }
        if waits(spec) {
            continue;
        }
        tally.add("results compared");
        let pair = calm.results.get(piece).zip(rough.results.get(piece));
        let (calm, results) = pair.unwrap_or_else(|| panic!("seed {seed}: no piece {piece}"));
        let people = |results: &[AthleteResult]| -> Vec<AthleteId> {
            results.iter().map(|result| result.athlete).collect()
        };
        assert_eq!(
            people(results),
            people(calm),
            "seed {seed}: other people have rowed piece {piece}"
        );
        // Somebody who comes by the code while the class rests rows on with it; when they find the server is a matter
        // of chance.
        let comes_late = |who: AthleteId| {
            let person = life.athletes.iter().find(|person| person.athlete == who);
            person.is_some_and(|person| person.joins_after_go.is_some())
        };
        let by_signals = spec.repeats.len() > 1 && spec.repeat_start == RepeatStart::CommonSignal;
        for (result, calm) in results.iter().zip(calm) {
            if by_signals && piece == 0 && comes_late(calm.athlete) {
                continue;
            }
            let as_in_peace = rough.has_as_in_peace(piece, result, calm, tally);
            assert!(
                as_in_peace,
                "seed {seed}: faults have changed a result of piece {piece}: {result:?}, in peace {calm:?}"
            );
        }
    }
}

/// Signals that wait for people come when the server hears of them; then the pieces differ.
fn waits(piece: &PieceSpec) -> bool {
    let by_distance =
        matches!(piece.repeats.first().map(|r| r.work), Some(Extent::Distance { .. }));
    by_distance && piece.repeats.len() > 1 && piece.repeat_start == RepeatStart::CommonSignal
}

fn near(one: u32, other: u32) -> bool {
    one.abs_diff(other) <= 1
}
