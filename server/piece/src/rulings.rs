//! What coaches have ruled about the results of one piece that is over: corrections, and that they are official.

use std::collections::{BTreeMap, btree_map::Entry};

use thole_protocol::{
    ids::{AthleteId, CommandId},
    order::GivenBy,
    spec::{PieceSpec, SessionSettings, Target},
    standing::{
        AthleteResult, Corrected, Correction, Doing, Instead, Line, Mark, Measured, Official,
        Outcome, Own, Projected, Reopened, Rulings, TargetBefore, Unplaced, WouldBe,
    },
    total::{Certainty, Total},
    units::At,
};

use crate::{limits, plan, standings};

/// All that was ruled about a piece, in its order, also what does not stand any more.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ruled {
    entries: Vec<Entered>,
    /// What stands, athlete by athlete.
    put_right: BTreeMap<AthleteId, PutRight>,
}

/// One ruling.
#[derive(Clone, Debug, PartialEq)]
struct Entered {
    given: OrderGiven,
    what: What,
    stands: bool,
}

/// Which order it was, who gave it and when.
#[derive(Clone, Debug, PartialEq)]
pub struct OrderGiven {
    /// The order.
    pub command: CommandId,
    /// Which coach of the club; `None` for whoever came by the session's coach link.
    pub by: Option<GivenBy>,
    /// When.
    pub at: At,
}

#[derive(Clone, Debug, PartialEq)]
enum What {
    Official(Box<Frozen>),
    Reopened { reason: String },
    Corrected { athlete: AthleteId, corrected: Corrected, reason: String },
}

/// What is put in the place of what one athlete has rowed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct PutRight {
    finish: Option<Total>,
    /// As the coach said it.
    target: Option<Option<Target>>,
    unplaced: Option<Unplaced>,
}

/// The results of a piece as they were when it was made official.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Frozen {
    /// What places were given by.
    pub settings: SessionSettings,
    /// Of everybody who had one.
    pub results: BTreeMap<AthleteId, FrozenResult>,
    /// The corrections that stood.
    pub rests_on: Vec<CommandId>,
    /// What strokes made of each when they were looked at last.
    pub seen: BTreeMap<AthleteId, AthleteResult>,
}

/// One of them.
#[derive(Clone, Debug, PartialEq)]
pub struct FrozenResult {
    /// As it stands.
    pub result: AthleteResult,
    /// The team that it counted for.
    pub team: Option<String>,
    /// When the athlete was home.
    pub home_at: Option<At>,
}

/// Why a ruling cannot be taken back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotUndone {
    /// It was taken back already.
    Already,
    /// The piece is official: no correction comes or goes.
    IsOfficial,
    /// It is not by this order that the piece is as it is.
    Superseded,
    /// Results were corrected since.
    CorrectedSince,
}

impl Ruled {
    /// Whether nobody has ruled anything.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// How many rulings there were, undone ones among them.
    #[must_use]
    pub fn len(&self) -> usize {
        self.entries.len()
    }

    /// The results as they are official; `None` while they are not.
    #[must_use]
    pub fn frozen(&self) -> Option<&Frozen> {
        match &self.in_force()?.1.what {
            What::Official(frozen) => Some(frozen),
            What::Reopened { .. } | What::Corrected { .. } => None,
        }
    }

    /// The same, to note what else was seen since.
    pub fn frozen_mut(&mut self) -> Option<&mut Frozen> {
        let at = self.in_force()?.0;
        match &mut self.entries.get_mut(at)?.what {
            What::Official(frozen) => Some(frozen),
            What::Reopened { .. } | What::Corrected { .. } => None,
        }
    }

    /// The ruling by which the piece is official, or is not any more.
    fn in_force(&self) -> Option<(usize, &Entered)> {
        let of_piece = |(_, entry): &(usize, &Entered)| {
            entry.stands && !matches!(entry.what, What::Corrected { .. })
        };
        self.entries.iter().enumerate().rev().find(of_piece)
    }

    /// Whether a correction of this athlete's result stands.
    #[must_use]
    pub fn is_about(&self, athlete: AthleteId) -> bool {
        self.put_right.contains_key(&athlete)
    }

    /// The results are official from now on.
    pub fn make_official(&mut self, given: OrderGiven, frozen: Frozen) {
        let what = What::Official(Box::new(frozen));
        self.entries.push(Entered { given, what, stands: true });
    }

    /// And not any more.
    pub fn reopen(&mut self, given: OrderGiven, reason: String) {
        self.entries.push(Entered { given, what: What::Reopened { reason }, stands: true });
    }

    /// Puts something in the place of what was measured or said.
    pub fn correct(
        &mut self,
        given: OrderGiven,
        athlete: AthleteId,
        corrected: Corrected,
        reason: String,
    ) {
        let what = What::Corrected { athlete, corrected, reason };
        self.entries.push(Entered { given, what, stands: true });
        self.put_right_anew();
    }

    /// Whether this order has ruled something here, whether or not it stands.
    #[must_use]
    pub fn has(&self, ruling: CommandId) -> bool {
        self.entries.iter().any(|entry| entry.given.command == ruling)
    }

    /// Takes a ruling back.
    ///
    /// # Errors
    /// Why not; then nothing is changed.
    pub fn undo(&mut self, ruling: CommandId) -> Result<(), NotUndone> {
        let of = |entry: &Entered| entry.given.command == ruling;
        let stands = |entry: &Entered| of(entry) && entry.stands;
        let at = self.entries.iter().position(stands).ok_or(NotUndone::Already)?;
        let Some(entry) = self.entries.get(at) else { return Err(NotUndone::Already) };
        let is_in_force = self.in_force().is_some_and(|(newest, _)| newest == at);
        match &entry.what {
            What::Corrected { .. } if self.frozen().is_some() => {
                return Err(NotUndone::IsOfficial);
            }
            What::Official(_) | What::Reopened { .. } if !is_in_force => {
                return Err(NotUndone::Superseded);
            }
            // Official again by what was official then: nothing may have moved a place since.
            What::Reopened { .. } if self.was_corrected_since(at) => {
                return Err(NotUndone::CorrectedSince);
            }
            What::Corrected { .. } | What::Official(_) | What::Reopened { .. } => {}
        }
        if let Some(entry) = self.entries.get_mut(at) {
            entry.stands = false;
        }
        self.put_right_anew();
        Ok(())
    }

    /// Whether corrections are others than when the piece was made official that a ruling reopened.
    fn was_corrected_since(&self, reopened: usize) -> bool {
        let before = self.entries.iter().take(reopened).rev().filter(|entry| entry.stands);
        let official = before.clone().find_map(|entry| match &entry.what {
            What::Official(frozen) => Some(frozen),
            What::Reopened { .. } | What::Corrected { .. } => None,
        });
        official.is_none_or(|frozen| frozen.rests_on != self.corrections_now())
    }

    /// The orders of all corrections that stand.
    #[must_use]
    pub fn corrections_now(&self) -> Vec<CommandId> {
        self.corrections().map(|correction| correction.command).collect()
    }

    /// All corrections that stand, in their order.
    pub fn corrections(&self) -> impl Iterator<Item = Correction> + '_ {
        self.entries.iter().filter(|entry| entry.stands).filter_map(|entry| {
            let What::Corrected { athlete, corrected, reason } = &entry.what else { return None };
            let OrderGiven { command, by, at } = entry.given.clone();
            let (athlete, what, reason) = (*athlete, *corrected, reason.clone());
            Some(Correction { command, athlete, at_ms: at, by, what, reason })
        })
    }

    /// What stands, as coaches are told.
    #[must_use]
    pub fn told(&self) -> Rulings {
        let mut told = Rulings { corrections: self.corrections().collect(), ..Rulings::default() };
        if let Some((_, Entered { given, what, .. })) = self.in_force() {
            let OrderGiven { command, by, at } = given.clone();
            match what {
                What::Official(_) => told.official = Some(Official { command, at_ms: at, by }),
                What::Reopened { reason } => {
                    let reason = reason.clone();
                    told.reopened = Some(Reopened { command, at_ms: at, by, reason });
                }
                What::Corrected { .. } => {}
            }
        }
        told
    }

    /// The reason of each ruling, an empty one where none is asked for, also of those that do not stand any more, and who gave it.
    pub fn reasons(&self) -> impl Iterator<Item = (CommandId, &str, Option<&GivenBy>)> {
        self.entries.iter().map(|entry| {
            let reason = match &entry.what {
                What::Reopened { reason } | What::Corrected { reason, .. } => reason.as_str(),
                What::Official(_) => "",
            };
            (entry.given.command, reason, entry.given.by.as_ref())
        })
    }

    /// Of each kind the newest that stands counts.
    fn put_right_anew(&mut self) {
        self.put_right.clear();
        for entry in self.entries.iter().filter(|entry| entry.stands) {
            let What::Corrected { athlete, corrected, .. } = entry.what else { continue };
            let right = match self.put_right.entry(athlete) {
                Entry::Occupied(right) => right.into_mut(),
                Entry::Vacant(place) => place.insert(PutRight::default()),
            };
            match corrected {
                Corrected::Finish { finish } => right.finish = Some(finish),
                Corrected::Target { target } => right.target = Some(target),
                Corrected::Unranked => right.unplaced = Some(Unplaced::Unranked),
                Corrected::Excluded => right.unplaced = Some(Unplaced::Excluded),
            }
        }
    }
}

impl PutRight {
    /// The target in the kind of the piece, of one that was corrected.
    fn target_of(&self, piece: &PieceSpec) -> Option<Option<Total>> {
        let target = self.target?;
        let measure = limits::Measure::of(piece);
        Some(target.zip(measure).and_then(|(target, measure)| {
            // It was found good when it was ordered.
            limits::target_cost(measure, &target).ok()
        }))
    }
}

impl Ruled {
    /// The target that one athlete's result is held against, as it was said; `None` when nobody has corrected it.
    #[must_use]
    pub fn target(&self, athlete: AthleteId) -> Option<Option<Target>> {
        self.put_right.get(&athlete)?.target
    }

    /// A result without a place as it was measured, with what was put right.
    #[must_use]
    pub fn put_right(&self, piece: &PieceSpec, mut result: AthleteResult) -> AthleteResult {
        let Some(right) = self.put_right.get(&result.athlete) else { return result };
        if let Some(target) = right.target_of(piece) {
            let before = std::mem::replace(&mut result.target, target);
            result.ruling.target_before = Some(TargetBefore { target: before });
        }
        if let Some(finish) = right.finish {
            let AthleteResult { outcome, time_ms, distance_dm, sure, shown, .. } = result;
            result.ruling.measured = Some(Measured { outcome, time_ms, distance_dm, sure, shown });
            match (finish, limits::Measure::of(piece)) {
                (Total::Time { finish_ms }, Some(limits::Measure::Distance(whole))) => {
                    (result.time_ms, result.distance_dm) = (finish_ms, whole);
                }
                (Total::Distance { distance_dm }, Some(limits::Measure::Time(whole))) => {
                    (result.time_ms, result.distance_dm) = (whole, distance_dm);
                }
                // A finish of the other kind was refused.
                (Total::Time { .. } | Total::Distance { .. }, _) => {}
            }
            (result.outcome, result.sure) = (Outcome::Finished, Certainty::Unsaid);
            (result.shown, result.estimate) = (Some(standings::as_shown(finish)), None);
            // It was said of what the machine told.
            result.marks.retain(|mark| *mark != Mark::Implausible);
        }
        let margin = |(shown, target): (Total, Total)| plan::margin(target, shown.amount());
        result.margin = result.shown.zip(result.target).map(margin);
        result.ruling.unplaced = right.unplaced;
        result
    }
}

impl Frozen {
    /// The results as they stand, given those that would be: nothing moves, and of whom strokes came it is said what they make.
    #[must_use]
    pub fn stands(&self, would_be: Vec<AthleteResult>) -> Vec<AthleteResult> {
        would_be.into_iter().map(|now| self.stand(now)).collect()
    }

    fn stand(&self, now: AthleteResult) -> AthleteResult {
        let would_be = WouldBe {
            outcome: now.outcome,
            time_ms: now.time_ms,
            distance_dm: now.distance_dm,
            shown: now.shown,
            margin: now.margin,
            place: now.place,
        };
        let Some(frozen) = self.results.get(&now.athlete) else {
            // Of somebody of whom nothing was known then.
            let mut result = AthleteResult { place: None, ..now };
            result.ruling.would_be = Some(would_be);
            return result;
        };
        let mut result = frozen.result.clone();
        let told = |of: &AthleteResult| (of.outcome, of.time_ms, of.distance_dm, of.shown);
        result.ruling.would_be = (told(&result) != told(&now)).then_some(would_be);
        result.ruling.measured = result.ruling.measured.and(now.ruling.measured);
        // What the journal has lost is no matter of places.
        result.marks.retain(|mark| *mark != Mark::Damaged);
        result.marks.extend(now.marks.iter().filter(|mark| **mark == Mark::Damaged));
        result.marks.sort_unstable();
        result
    }
}

/// The line of the standings of a piece that is over, with what was ruled about the result; by the result alone where that `stands`
/// whatever the strokes say.
#[must_use]
pub fn line(line: Line, result: &AthleteResult, stands: bool) -> Line {
    let unplaced = result.unplaced().map(|unplaced| match unplaced {
        Unplaced::Unranked => Instead::Unranked,
        Unplaced::Excluded => Instead::Excluded,
    });
    if result.ruling.unplaced == Some(Unplaced::Excluded) {
        // It does not count: no screen of the class shows its number, and it stands last.
        let (margin, against_target, projected) = (None, None, None);
        return Line { instead: unplaced, margin, against_target, projected, ..line };
    }
    if !result.ruling.is_corrected() && !stands {
        return Line { instead: unplaced.or(line.instead), ..line };
    }
    let finished = result.outcome == Outcome::Finished;
    let untargeted = || result.margin.is_none().then_some(Instead::Untargeted);
    Line {
        doing: if finished { Doing::Finished } else { line.doing },
        instead: unplaced.or(if finished { untargeted() } else { line.instead }),
        margin: result.margin,
        against_target: result.margin.map(standings::made_or_not),
        projected: shown(result),
        done_dm: result.distance_dm,
        elapsed_ms: result.time_ms,
        ..line
    }
}

/// What an athlete sees of their own standing, of a piece that is over, with what was ruled about the result.
#[must_use]
pub fn own(own: Own, result: &AthleteResult) -> Own {
    let finished = result.outcome == Outcome::Finished;
    Own {
        doing: if finished { Doing::Finished } else { own.doing },
        place: result.place,
        margin: result.margin,
        against_target: result.margin.map(standings::made_or_not),
        projected: shown(result),
        done_dm: result.distance_dm,
        elapsed_ms: result.time_ms,
        ..own
    }
}

/// A finish as screens show it in the place of a projection.
fn shown(result: &AthleteResult) -> Option<Projected> {
    let finish = result.shown?;
    let chance_permille = result.margin.map(|m| 1_000 * u16::from(m.margin_ppm.0 >= 0));
    Some(Projected { finish, low: finish, high: finish, chance_permille })
}
