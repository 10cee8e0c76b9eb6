//! Who belongs to the session, what they have ready, and who is heard.

use std::collections::BTreeMap;

use thole_protocol::{
    ids::{AthleteId, PieceNo},
    sample::Reading,
    spec::{Aim, AthleteSpec, OnBoard, PieceSpec, Plan, Target, Today},
    standing::{AthleteView, Doing},
    units::{At, Bpm, Millis},
};

use crate::{aim, limits, plan::Course, recording::Recording, session::Loss, settled::SeatNo};

/// A heart-rate reading older than this says nothing about now.
const HEART_FRESH_MS: u64 = 10_000;

/// A device that is heard again sends what it has kept at once; after this long nothing is on its way any more (our
/// choice: as long as it takes to be found to have stopped).
pub(crate) const ALL_HAS_COME_AFTER: Millis = Millis(12_000);
/// A device that keeps coming back puts that off no longer than this (our choice): what it sends later still counts.
pub(crate) const PUT_OFF_MAX: Millis = Millis(60_000);

/// Whether an athlete's device is heard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Contact {
    /// It never has been.
    #[default]
    Never,
    /// It is.
    Heard {
        /// Since when.
        since: At,
    },
    /// It was.
    Silent {
        /// When it was heard last.
        since: At,
        /// Since when it had been heard until then.
        heard_from: At,
    },
}

/// One athlete of the session.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Athlete {
    /// Name, team, heart limit.
    pub spec: AthleteSpec,
    /// The number in this session, given when the athlete was added to the roster.
    pub seat: SeatNo,
    /// Whether somebody has joined as this athlete.
    pub claimed: bool,
    /// What they row the pieces by.
    pub aims: BTreeMap<PieceNo, Aim>,
    /// Targets that were to be carried over to a piece where nobody can row them.
    pub left_out: BTreeMap<PieceNo, Target>,
    /// Whether the device is heard.
    pub contact: Contact,
    /// When the device came that has sent nothing yet, or the first of several that have come one after another since
    /// the last sample; `None` once its machine was heard.
    pub linking_since: Option<At>,
    /// The health cautions were read and accepted.
    pub cautions_read: bool,
    /// What is linked.
    pub machine: Option<String>,
    /// How far off the countdown may be on that device, at worst.
    pub clock_bound_ms: Option<Millis>,
    /// How the name appears on boards.
    pub on_board: OnBoard,
    /// How they row today.
    pub today: Today,
    /// Heart rate may be passed on to the coach.
    pub heart_consent: bool,
    /// The newest reading.
    heart: Option<(At, Bpm)>,
    /// The samples.
    pub recording: Recording,
    /// What of them the journal may have lost.
    pub losses: Vec<Loss>,
}

impl Athlete {
    /// An athlete of whom only the name and what the coach wrote are known.
    #[must_use]
    pub fn new(spec: AthleteSpec, aims: Vec<Aim>, first: PieceNo) -> Athlete {
        let numbers = (first.0..).map(PieceNo);
        Athlete { spec, aims: numbers.zip(aims).collect(), ..Athlete::default() }
    }

    /// Legs that were given without a target make up the target.
    pub fn take_targets(&mut self, no: PieceNo, piece: &PieceSpec) {
        if let Some(aim) = self.aims.get_mut(&no) {
            *aim = aim::with_target(piece, aim);
        }
    }

    /// What was said about a piece before it existed may not fit it: then it is left out. True when it was.
    pub fn fit_new_piece(&mut self, no: PieceNo, piece: &PieceSpec) -> bool {
        self.take_targets(no, piece);
        let fits = |aim: &Aim| Course::of(piece, aim).is_ok();
        let Some(aim) = self.aims.get(&no).filter(|aim| !fits(aim)) else { return false };
        let too_fast = aim.target.filter(|target| limits::is_unrowable(piece, target));
        self.aims.remove(&no);
        self.left_out.extend(too_fast.map(|target| (no, target)));
        true
    }

    /// The work of a piece has changed: a finish or a distance is no longer a target for it, and results of the old
    /// one are not results of this one. True when something was taken away.
    pub fn fit_aim(&mut self, no: PieceNo, piece: &PieceSpec) -> bool {
        self.left_out.remove(&no);
        let Some(aim) = self.aims.get_mut(&no) else { return false };
        let before = aim.clone();
        aim.history.clear();
        aim.target.take_if(|target| !matches!(target, Target::Pace { .. }));
        let too_fast = aim.target.take_if(|target| limits::is_unrowable(piece, target));
        self.left_out.extend(too_fast.map(|target| (no, target)));
        if Course::of(piece, aim).is_err() {
            aim.plan = Plan::default();
        }
        *aim = aim::with_target(piece, aim);
        *aim != before
    }

    /// Takes the last pace from an earlier piece for an athlete who has no target yet, unless nobody can row it
    /// here; true when there was one.
    pub fn carry_pace(&mut self, no: PieceNo, piece: &PieceSpec) -> bool {
        if self.aims.get(&no).is_some_and(|aim| aim.target.is_some()) {
            return false;
        }
        let is_pace = |aim: &&Aim| matches!(aim.target, Some(Target::Pace { .. }));
        let earlier = self.aims.range(..no).rev().map(|(_, aim)| aim).find(is_pace);
        let Some(Aim { target, plan, .. }) = earlier.cloned() else { return false };
        if let Some(too_fast) = target.filter(|target| limits::is_unrowable(piece, target)) {
            self.left_out.insert(no, too_fast);
            return true;
        }
        let aim = self.aims.entry(no).or_default();
        aim.target = target;
        if aim.plan == Plan::default() {
            aim.plan = plan;
        }
        if Course::of(piece, aim).is_err() {
            aim.plan = Plan::default();
        }
        true
    }

    /// A device comes, or is heard again. What is known of the machine starts afresh: it may be another one, which has to
    /// be linked first.
    pub fn hear(&mut self, now: At) {
        self.contact = Contact::Heard { since: now };
        self.linking_since.get_or_insert(now);
    }

    /// Nothing has been heard since this instant.
    pub fn lose(&mut self, since: At) {
        if let Contact::Heard { since: heard_from } = self.contact {
            self.contact = Contact::Silent { since, heard_from };
        }
    }

    /// Whether the device is heard now.
    #[must_use]
    pub fn is_heard(&self) -> bool {
        matches!(self.contact, Contact::Heard { .. })
    }

    /// How long nothing has been heard; `None` for athletes who are heard or never were.
    #[must_use]
    pub fn silent_for(&self, now: At) -> Option<Millis> {
        match self.contact {
            Contact::Silent { since, .. } => Some(now.since(since)),
            Contact::Never | Contact::Heard { .. } => None,
        }
    }

    /// Takes heart-rate readings; returns how many were impossible. Without consent they are all left out.
    pub fn feel(&mut self, readings: &[Reading]) -> usize {
        let mut impossible = 0;
        for reading in readings {
            let heard = u64::try_from(reading.heard_ms);
            let believed = limits::HEART_BELIEVED_BPM.contains(&reading.heart_bpm);
            let (Ok(heard), Ok(bpm), true) = (heard, u16::try_from(reading.heart_bpm), believed)
            else {
                impossible += 1;
                continue;
            };
            if self.heart_consent && self.heart.is_none_or(|(newest, _)| newest.0 <= heard) {
                self.heart = Some((At(heard), Bpm(bpm)));
            }
        }
        impossible
    }

    /// Consent to heart rate given or withdrawn; on withdrawal the last reading is forgotten.
    pub fn consent(&mut self, given: bool) {
        self.heart_consent = given;
        if !given {
            self.heart = None;
        }
    }

    /// Heart rate now; `None` without consent or a fresh reading.
    #[must_use]
    pub fn heart(&self, now: At) -> Option<Bpm> {
        self.heart.filter(|(at, _)| at.0 + HEART_FRESH_MS >= now.0).map(|(_, bpm)| bpm)
    }

    /// The limit that the coach set, kept within what a limit can be.
    #[must_use]
    pub fn heart_limit(&self) -> Option<Bpm> {
        self.spec.heart_limit_bpm.filter(|limit| limits::HEART_LIMIT_BPM.contains(limit))
    }

    /// As the coach's roster shows them.
    #[must_use]
    pub fn view(&self, athlete: AthleteId, piece: PieceNo, doing: Doing) -> AthleteView {
        AthleteView {
            athlete,
            spec: self.spec.clone(),
            aim: self.aims.get(&piece).cloned().unwrap_or_default(),
            doing,
            cautions_read: self.cautions_read,
            machine: self.machine.clone(),
            clock_bound_ms: self.clock_bound_ms,
            heart_rate: self.heart_consent,
            on_board: self.on_board,
            today: self.today,
            question: None,
        }
    }

    /// As a device shows them that others use as well: without a limit and without past results.
    #[must_use]
    pub fn hall_view(&self, athlete: AthleteId, piece: PieceNo, doing: Doing) -> AthleteView {
        let mut view = self.view(athlete, piece, doing);
        view.spec.heart_limit_bpm = None;
        view.aim.history.clear();
        view
    }

    /// As everybody may see them: without anything about health or the day, without past results, and under the name
    /// that the athlete wants to be seen by.
    #[must_use]
    pub fn public_view(&self, athlete: AthleteId, piece: PieceNo, doing: Doing) -> AthleteView {
        let mut view = self.view(athlete, piece, doing);
        view.spec.heart_limit_bpm = None;
        view.aim.history.clear();
        view.cautions_read = false;
        view.heart_rate = false;
        view.today = Today::default();
        view.spec.name = name_on_board(&view.spec.name, self.on_board);
        view
    }
}

/// The name as boards show it: `Tam Lindqvist` is `Tam L.` when short; a single name stays as it is.
fn name_on_board(name: &str, on_board: OnBoard) -> String {
    /// What boards call somebody who does not want to be named.
    const SOMEBODY: &str = "Somebody";
    match on_board {
        OnBoard::Name => name.to_owned(),
        OnBoard::Hidden => SOMEBODY.to_owned(),
        OnBoard::Short => match name.trim().rsplit_once(char::is_whitespace) {
            Some((first, last)) => {
                let initial = last.chars().next().map(String::from).unwrap_or_default();
                format!("{} {initial}.", first.trim_end())
            }
            None => name.to_owned(),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn boards_name_an_athlete_as_the_athlete_wants_and_the_coach_sees_all_of_it() {
        let id = AthleteId(uuid::Uuid::nil());
        let named = |name: &str, on_board| {
            let spec = AthleteSpec { name: name.to_owned(), ..AthleteSpec::default() };
            let athlete = Athlete { on_board, ..Athlete::new(spec, Vec::new(), PieceNo(0)) };
            assert_eq!(athlete.view(id, PieceNo(0), Doing::Here).spec.name, name);
            athlete.public_view(id, PieceNo(0), Doing::Here).spec.name
        };
        assert_eq!(named("Tam Lindqvist", OnBoard::Name), "Tam Lindqvist");
        assert_eq!(named("Tam van der Öst", OnBoard::Short), "Tam van der Ö.");
        assert_eq!(named("Tam", OnBoard::Short), "Tam");
        assert_eq!(named("Tam Lindqvist", OnBoard::Hidden), "Somebody");
    }
}
