//! What an athlete says about their own target, and for which pieces it holds.

use thole_protocol::{
    client_msg::AimAt,
    event::Happening,
    ids::PieceNo,
    server_msg::Welcome,
    spec::{Aim, PieceSpec, Plan, Repeat, Target},
    standing::Phase,
};

/// What the athlete wants; where it is `None`, what the coach has set stays.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OwnAim {
    /// A finish or a distance is for work like that of the piece for which it was said; a pace is for any.
    pub target: Option<Target>,
    /// How they mean to reach it.
    pub plan: Option<Plan>,
}

/// Says it where it holds, once for each piece.
#[derive(Debug)]
pub struct Aiming {
    own: OwnAim,
    works: Vec<Vec<Repeat>>,
    /// The work for which it was first said.
    meant_for: Option<Vec<Repeat>>,
    said: Option<PieceNo>,
}

impl Aiming {
    /// Nothing has been said yet.
    #[must_use]
    pub fn new(own: OwnAim) -> Aiming {
        Aiming { own, works: Vec::new(), meant_for: None, said: None }
    }

    /// What is to be said after a welcome.
    pub fn welcomed(&mut self, welcome: &Welcome) -> Option<AimAt> {
        self.works.clear();
        self.see(0, welcome.pieces.iter().map(|piece| &piece.spec));
        // While it is rowed as well: somebody who comes late may still say a target, once, and whether it is too late for that the
        // server knows.
        let view = welcome.athletes.iter().find(|view| Some(view.athlete) == welcome.you);
        self.aim(welcome.current, view.map(|view| &view.aim))
    }

    /// What is to be said after an event.
    pub fn happened(&mut self, what: &Happening) -> Option<AimAt> {
        if let Happening::PiecesSet { first, pieces } = what {
            self.see(usize::from(first.0), pieces.iter());
        }
        let Happening::PhaseChanged { piece, phase: Phase::Gathering } = what else { return None };
        self.aim(*piece, None)
    }

    fn see<'a>(&mut self, first: usize, pieces: impl Iterator<Item = &'a PieceSpec>) {
        self.works.truncate(first);
        self.works.extend(pieces.map(|piece| piece.repeats.clone()));
    }

    /// For this piece, for which this much is known to be set already; `None` when there is nothing more to
    /// say.
    fn aim(&mut self, piece: PieceNo, set: Option<&Aim>) -> Option<AimAt> {
        let work = self.works.get(usize::from(piece.0))?;
        if self.said == Some(piece) || self.own == OwnAim::default() {
            return None;
        }
        let is_pace = matches!(self.own.target, Some(Target::Pace { .. }));
        let holds = self.meant_for.as_ref().is_none_or(|meant_for| meant_for == work);
        // What the coach has set for a later piece is not known yet, and a pace carries over by itself.
        let is_known = set.is_some() || (self.own.target.is_some() && !is_pace);
        if !is_known || !(holds || is_pace) {
            return None;
        }
        self.meant_for.get_or_insert_with(|| work.clone());
        self.said = Some(piece);
        let Aim { target, plan, history } = set.cloned().unwrap_or_default();
        let OwnAim { target: own, plan: own_plan } = self.own.clone();
        let aim = Aim { target: own.or(target), plan: own_plan.unwrap_or(plan), history };
        (set != Some(&aim)).then_some(AimAt { piece, aim, command: None })
    }
}

#[cfg(test)]
mod tests {
    use thole_protocol::{
        spec::PastResult,
        units::{At, Decimetres, Millis},
    };

    use super::*;
    use crate::wording;

    const FINISH: Target = Target::Finish { finish_ms: Millis(145_000) };
    const PACE: Target = Target::Pace { per_500m_ms: Millis(118_000) };

    fn aiming(target: Option<Target>, plan: Option<Plan>, pieces: &[&str]) -> Aiming {
        let mut aiming = Aiming::new(OwnAim { target, plan });
        let specs: Vec<PieceSpec> =
            pieces.iter().map(|words| PieceSpec::of(wording::repeats(words).unwrap())).collect();
        aiming.see(0, specs.iter());
        aiming
    }

    fn next(aiming: &mut Aiming, piece: u16) -> Option<AimAt> {
        let phase = Phase::Gathering;
        aiming.happened(&Happening::PhaseChanged { piece: PieceNo(piece), phase })
    }

    #[test]
    fn a_plan_alone_leaves_the_coachs_target_and_past_results() {
        let mut aiming = aiming(None, Some(Plan::FastStart), &["700m"]);
        let history = vec![PastResult { days_ago: 9, result: FINISH }];
        let set = Aim { target: Some(PACE), plan: Plan::Even, history };
        let said = aiming.aim(PieceNo(0), Some(&set)).unwrap();
        assert_eq!(said.aim, Aim { plan: Plan::FastStart, ..set });
        assert_eq!(aiming.aim(PieceNo(0), Some(&said.aim)), None, "said once");
    }

    #[test]
    fn somebody_who_comes_late_says_their_target_while_it_is_rowed() {
        let example = include_str!("../../protocol/examples/server/welcome.json");
        let mut welcome: Welcome = serde_json::from_str(example).unwrap();
        let rowing = Phase::Rowing { go_at_ms: At(9), repeat: 0, repeat_at_ms: At(9) };
        let current = usize::from(welcome.current.0);
        welcome.pieces[current].phase = rowing;
        let mut aiming = Aiming::new(OwnAim { target: Some(FINISH), plan: None });
        let said = aiming.welcomed(&welcome).unwrap();
        assert_eq!((said.piece, said.aim.target), (welcome.current, Some(FINISH)));
        assert_eq!(aiming.welcomed(&welcome), None, "said once, however often they come back");
    }

    #[test]
    fn a_finish_holds_for_the_same_work_and_for_no_other() {
        let mut aiming = aiming(Some(FINISH), None, &["500m", "700m", "500m"]);
        let first = aiming.aim(PieceNo(0), Some(&Aim::default())).unwrap();
        assert_eq!(first.aim.target, Some(FINISH));
        assert_eq!(next(&mut aiming, 1), None);
        assert_eq!(next(&mut aiming, 2).unwrap().aim.target, Some(FINISH));
    }

    #[test]
    fn a_pace_goes_along_by_itself_and_what_is_set_so_is_not_said_again() {
        let mut aiming = aiming(Some(PACE), None, &["500m", "700m"]);
        let set = Aim { target: Some(PACE), ..Aim::default() };
        assert_eq!(aiming.aim(PieceNo(0), Some(&set)), None);
        assert_eq!(next(&mut aiming, 1), None);
        let other = Target::Distance { distance_dm: Decimetres(9) };
        let set = Aim { target: Some(other), ..Aim::default() };
        let back = aiming.aim(PieceNo(1), Some(&set)).unwrap();
        assert_eq!(back.aim.target, Some(PACE), "after a lost connection it is known what is set");
    }
}
