//! What a coach rules about the results of a piece that is over: at once, after later pieces, or in a closed session.

use thole_protocol::{
    event::Happening,
    ids::{AthleteId, CommandId, PieceNo},
    order::GivenBy,
    refusal::{Refusal, Why},
    spec::{Aim, PieceSpec, Target},
    standing::{Corrected, Official, Rulings},
};

use super::{Session, refused, unknown};
use crate::{
    limits::{REASON_MAX, RULINGS_MAX},
    output::{Athletes, Output, To},
    plan::Course,
    rulings::{NotUndone, OrderGiven},
    settled::Cause,
};

const IS_OFFICIAL: &str = "This piece is official: reopen it first, then correct it.";
const SUPERSEDED: &str =
    "The piece has been reopened or made official again since: undo that first.";
const CORRECTED_SINCE: &str =
    "Results were corrected after it was reopened: make it official again instead.";

impl Session {
    /// Why each ruling of this session was made, by its order, and which coach of the club made it.
    pub fn reasons(&self) -> impl Iterator<Item = (CommandId, &str, Option<&GivenBy>)> {
        self.programme.all().iter().flat_map(|piece| piece.ruled.reasons())
    }

    pub(super) fn make_official(
        &mut self,
        given: OrderGiven,
        no: PieceNo,
        out: &mut Vec<Output>,
    ) -> Result<(), Refusal> {
        let at = self.to_rule_about(no)?;
        let Session { people, programme, now, settings, .. } = self;
        let Some(piece) = programme.get_mut(at) else { return unknown("piece") };
        if piece.ruled.frozen().is_some() {
            return refused(Why::NotNow, "This piece is official already.");
        }
        // The lines and teams that are published now are those that stand.
        piece.publish(*now, settings, people.roster());
        let frozen = piece.frozen(*now, settings, people.roster());
        piece.ruled.make_official(given, frozen);
        self.was_ruled(at, Cause::Official, out);
        Ok(())
    }

    pub(super) fn reopen(
        &mut self,
        given: OrderGiven,
        no: PieceNo,
        reason: &str,
        out: &mut Vec<Output>,
    ) -> Result<(), Refusal> {
        let reason = checked(reason)?;
        let at = self.to_rule_about(no)?;
        let Some(piece) = self.programme.get_mut(at) else { return unknown("piece") };
        if piece.ruled.frozen().is_none() {
            return refused(
                Why::NotNow,
                "This piece is not official: it can be corrected as it is.",
            );
        }
        piece.ruled.reopen(given, reason);
        self.was_ruled(at, Cause::Reopened, out);
        Ok(())
    }

    pub(super) fn correct(
        &mut self,
        given: OrderGiven,
        (no, id): (PieceNo, AthleteId),
        corrected: Corrected,
        reason: &str,
        out: &mut Vec<Output>,
    ) -> Result<(), Refusal> {
        let reason = checked(reason)?;
        let at = self.to_rule_about(no)?;
        let is_known = self.knows(id);
        let Some(piece) = self.programme.get_mut(at) else { return unknown("piece") };
        if !is_known || !piece.rowers.contains_key(&id) {
            return refused(Why::Unknown, "There is no such athlete in this piece.");
        }
        if piece.ruled.frozen().is_some() {
            return refused(Why::NotNow, IS_OFFICIAL);
        }
        check(&piece.spec, corrected)?;
        piece.ruled.correct(given, id, corrected, reason);
        self.was_ruled(at, Cause::Corrected, out);
        Ok(())
    }

    pub(super) fn undo(&mut self, ruling: CommandId, out: &mut Vec<Output>) -> Result<(), Refusal> {
        for at in 0..self.programme.all().len() {
            let Some(piece) = self.programme.get_mut(at) else { continue };
            if !piece.ruled.has(ruling) {
                continue;
            }
            if piece.settling.differs {
                return refused(Why::NotNow, DIFFERS);
            }
            let was_official = piece.ruled.frozen().is_some();
            let undone = piece.ruled.undo(ruling);
            let cause = match (was_official, piece.ruled.frozen().is_some()) {
                (true, false) => Cause::Reopened,
                (false, true) => Cause::Official,
                (true, true) | (false, false) => Cause::Corrected,
            };
            return match undone {
                Ok(()) => {
                    self.was_ruled(at, cause, out);
                    Ok(())
                }
                Err(NotUndone::Already) => refused(Why::NotNow, "This was undone already."),
                Err(NotUndone::IsOfficial) => refused(Why::NotNow, IS_OFFICIAL),
                Err(NotUndone::Superseded) => refused(Why::NotNow, SUPERSEDED),
                Err(NotUndone::CorrectedSince) => refused(Why::NotNow, CORRECTED_SINCE),
            };
        }
        refused(
            Why::Unknown,
            "There is no such correction in this session; an undo is not undone: correct it again.",
        )
    }

    /// Where the piece stands whose results are ruled about.
    fn to_rule_about(&self, no: PieceNo) -> Result<usize, Refusal> {
        let at = usize::from(no.0);
        let Some(piece) = self.programme.get(at) else { return unknown("piece") };
        if !piece.is_over() {
            let says =
                "This piece is not over: correct its results, and make them official, when it is.";
            return refused(Why::NotNow, says);
        }
        if !piece.is_to_settle() {
            return refused(
                Why::NotNow,
                "This piece was stopped before its go: nobody has a result.",
            );
        }
        if piece.settling.differs {
            return refused(Why::NotNow, DIFFERS);
        }
        if piece.ruled.len() >= RULINGS_MAX {
            let says = format!("The results of one piece can be corrected {RULINGS_MAX} times.");
            return refused(Why::Limit, &says);
        }
        Ok(at)
    }

    /// Tells what follows from a ruling. Its record is made with the order itself.
    fn was_ruled(&mut self, at: usize, cause: Cause, out: &mut Vec<Output>) {
        let Some(piece) = self.programme.get(at) else { return };
        let (no, rulings) = (piece.no, piece.ruled.told());
        let for_all = for_everybody(&rulings);
        let rulings = Box::new(rulings);
        self.emit(To::COACH, Happening::Ruled { piece: no, rulings }, out);
        if matches!(cause, Cause::Official | Cause::Reopened) {
            let others = To { coach: false, board: true, athletes: Athletes::All };
            let rulings = Box::new(for_all);
            self.emit(others, Happening::Ruled { piece: no, rulings }, out);
        }
        self.tell_results(at, out);
        self.tell_teams(at, out);
        if at == self.programme.current_at() {
            self.publish_now(out);
        }
        self.settle_ruled(at, cause);
    }
}

const DIFFERS: &str = "The record of this piece was made by another version of this program, which ranked it differently: \
                       nothing is put beside it. `thole-server replay` shows the difference.";

/// What athletes and boards are told: neither reasons nor names of coaches.
pub(super) fn for_everybody(rulings: &Rulings) -> Rulings {
    let official = rulings.official.clone();
    let official = official.map(|official| Official { by: None, ..official });
    Rulings { official, ..Rulings::default() }
}

/// A reason as it is kept.
fn checked(reason: &str) -> Result<String, Refusal> {
    let reason = reason.trim();
    if reason.is_empty() {
        return refused(Why::OutOfRange, "Give a reason: those who are concerned will ask for it.");
    }
    if reason.chars().count() > REASON_MAX {
        let says = format!("A reason has at most {REASON_MAX} characters.");
        return refused(Why::OutOfRange, &says);
    }
    Ok(reason.to_owned())
}

/// Whether a piece can be rowed so: by the same limits as a target.
fn check(piece: &PieceSpec, corrected: Corrected) -> Result<(), Refusal> {
    let (target, is_finish) = match corrected {
        Corrected::Finish { finish } => (Target::from(finish), true),
        Corrected::Target { target: Some(target) } => (target, false),
        Corrected::Target { target: None } | Corrected::Unranked | Corrected::Excluded => {
            return Ok(());
        }
    };
    let aim = Aim { target: Some(target), ..Aim::default() };
    let fits = Course::of(piece, &aim).map(|_| ());
    fits.map_err(|refusal| if is_finish { of_finish(target, refusal) } else { refusal })
}

/// A finish is no target: what is wrong with it is said of a result.
fn of_finish(finish: Target, refusal: Refusal) -> Refusal {
    let says = match (refusal.why, finish) {
        (Why::Unrowable, _) => {
            "Nobody rows this piece so fast: look at the machine, and type it again.".to_owned()
        }
        (_, Target::Finish { .. }) => {
            "The result of a piece by distance is a time, such as 6:31.5; of a piece by time it is a \
             distance, such as 3120m."
                .to_owned()
        }
        (_, Target::Distance { .. } | Target::Pace { .. }) => {
            "The result of a piece by time is a distance that can be rowed in it, and of a piece by distance a time."
                .to_owned()
        }
    };
    Refusal { says, ..refusal }
}
