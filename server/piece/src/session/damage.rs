//! What the journal has lost: which results it can have affected, and what the coach is told.

use std::collections::BTreeSet;

use thole_protocol::{
    event::{Damage, Happening},
    ids::{AthleteId, PieceNo, RunId},
    units::{At, Millis},
};

use super::Session;
use crate::{
    input::Damaged,
    output::{Output, To},
    piece::Piece,
    recording::Recording,
};

/// What the machine showed this long before the countdown may still be the baseline (our choice).
const BASELINE_MS: Millis = Millis(60_000);
/// At most this many are named in a sentence.
const NAMED_MAX: usize = 3;
/// Recordings of one athlete whose loss is told: a device can name as many as it likes.
const RECORDINGS_MAX: usize = 4;

/// Lost records, as the journal named them, and what was told about them.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Lost {
    /// `None` when only a device knows of the loss.
    records: Option<Damaged>,
    told: Damage,
}

/// Strokes of an athlete that may be lost; it ends when they are known to be here.
#[derive(Clone, Debug, PartialEq)]
pub struct Loss {
    /// The pieces whose results it can affect.
    pieces: BTreeSet<PieceNo>,
    /// How far they went, if the device has said so.
    through: Option<(RunId, u32)>,
    /// They were written at this instant or earlier.
    until: At,
}

impl Loss {
    fn is_open(&self, recording: &Recording) -> bool {
        match self.through {
            Some((run, seq)) => recording.durable(run).through_seq < seq,
            // No number is missing and a later stroke is here, so all in between are here too.
            None => recording.has_holes() || !recording.is_heard_after(self.until),
        }
    }
}

impl Session {
    /// Whether the coach was told of this damage.
    #[must_use]
    pub fn knows_damage(&self, damaged: &Damaged) -> bool {
        let Damaged { from, to, whose, .. } = damaged;
        let mut known = self.damage.iter().filter_map(|lost| lost.records.as_ref());
        known.any(|known| {
            let of_them = || whose.iter().all(|who| known.whose.contains(who));
            known.from <= *from
                && *to <= known.to
                && (*to == Damaged::WHOLE) == (known.to == Damaged::WHOLE)
                && (known.whose.is_empty() || (!whose.is_empty() && of_them()))
        })
    }

    /// Whether strokes of an athlete may be lost.
    #[must_use]
    pub fn may_miss(&self, athlete: AthleteId) -> bool {
        self.people.get(athlete).is_some_and(|athlete| !athlete.losses.is_empty())
    }

    /// What was lost, as the coach is told.
    #[must_use]
    pub fn damage(&self) -> Vec<Damage> {
        self.damage.iter().map(|lost| lost.told.clone()).collect()
    }

    pub(super) fn damaged(&mut self, damaged: &Damaged, out: &mut Vec<Output>) {
        if self.knows_damage(damaged) {
            return;
        }
        let Damaged { since_ms, until_ms, whose, only_strokes, .. } = damaged;
        let whose: Vec<AthleteId> = match whose.as_slice() {
            [] => self.people.ids(),
            whose => whose.iter().copied().filter(|id| self.knows(*id)).collect(),
        };
        let pieces = self.touched(*since_ms, *until_ms, *only_strokes);
        let doubted = self.doubt_signals(&pieces, *since_ms, *only_strokes);
        for id in &whose {
            if *only_strokes {
                let mut pieces = pieces.clone();
                pieces.extend(self.may_have_come_late(*id, *until_ms));
                self.may_lack(*id, Loss { pieces, through: None, until: *until_ms });
                continue;
            }
            for piece in
                self.programme.all_mut().iter_mut().filter(|piece| pieces.contains(&piece.no))
            {
                if let Some(rower) = piece.rowers.get_mut(id) {
                    rower.is_damaged = true;
                }
            }
        }
        let says = self.words(damaged);
        let told =
            Damage { from_ms: *since_ms, to_ms: *until_ms, athletes: damaged.whose.clone(), says };
        self.tell_damage(Some(damaged.clone()), told, out);
        for id in doubted.into_iter().chain(whose) {
            self.mark_lacking(id, out);
        }
    }

    /// Marks everybody in pieces whose signals waited for strokes that are lost, for good: the clock began for all when the
    /// last athlete was seen to be done, and strokes that come again do not tell when that was. Returns those who were not
    /// marked before.
    fn doubt_signals(
        &mut self,
        pieces: &BTreeSet<PieceNo>,
        since: At,
        only_strokes: bool,
    ) -> BTreeSet<AthleteId> {
        let mut doubted = BTreeSet::new();
        let touched = self.programme.all_mut().iter_mut().filter(|p| pieces.contains(&p.no));
        for piece in touched.filter(|p| only_strokes && p.waits_for_strokes_after(since)) {
            for (id, rower) in piece.rowers.iter_mut().filter(|(_, rower)| !rower.is_damaged) {
                rower.is_damaged = true;
                doubted.insert(*id);
            }
        }
        doubted
    }

    pub(super) fn acknowledged(
        &mut self,
        id: AthleteId,
        run: RunId,
        through_seq: u32,
        out: &mut Vec<Output>,
    ) {
        let Some(athlete) = self.people.get(id) else { return };
        let last = athlete.recording.recent().last().map_or(At(0), |last| At(last.heard));
        let mut pieces = self.touched(last, self.now, true);
        let touched = pieces.clone();
        let Some(athlete) = self.people.get_mut(id) else { return };
        let known = athlete.losses.iter().filter(|loss| loss.through.is_some());
        if known.count() >= RECORDINGS_MAX {
            return;
        }
        // The device knows how far they went: that is better than any guess.
        athlete.losses.retain(|loss| match loss.through {
            None => {
                pieces.extend(&loss.pieces);
                false
            }
            Some((of, _)) => of != run,
        });
        let loss = Loss { pieces, through: Some((run, through_seq)), until: self.now };
        let is_open = loss.is_open(&athlete.recording);
        self.may_lack(id, loss);
        // What the journal has named is not told once more by everybody who comes back.
        let is_named = self.damage.iter().filter_map(|lost| lost.records.as_ref()).any(|records| {
            records.to != Damaged::WHOLE
                && (records.whose.is_empty() || records.whose.contains(&id))
        });
        let doubted =
            if is_open { self.doubt_signals(&touched, last, true) } else { BTreeSet::new() };
        if is_open && !is_named {
            let name = self.named(&[id]);
            let says = format!(
                "The journal has lost strokes of {name} that it had: the device still has them and sends them again. \
                 Until they are here the result is marked."
            );
            let told = Damage { from_ms: last, to_ms: self.now, athletes: vec![id], says };
            self.tell_damage(None, told, out);
        }
        for id in doubted.into_iter().chain([id]) {
            self.mark_lacking(id, out);
        }
    }

    /// After strokes came: losses that are made good are no longer losses.
    pub(super) fn heal(&mut self, id: AthleteId, out: &mut Vec<Output>) {
        let Some(athlete) = self.people.get_mut(id) else { return };
        let before = athlete.losses.len();
        athlete.losses.retain(|loss| loss.is_open(&athlete.recording));
        if athlete.losses.len() < before {
            self.mark_lacking(id, out);
        }
    }

    fn may_lack(&mut self, id: AthleteId, loss: Loss) {
        let Some(athlete) = self.people.get_mut(id) else { return };
        if loss.is_open(&athlete.recording) {
            athlete.losses.push(loss);
        }
    }

    /// Brings the marks on an athlete's results into line with their losses.
    fn mark_lacking(&mut self, id: AthleteId, out: &mut Vec<Output>) {
        let Some(athlete) = self.people.get(id) else { return };
        let lacking: BTreeSet<PieceNo> =
            athlete.losses.iter().flat_map(|loss| loss.pieces.iter().copied()).collect();
        for at in 0..self.programme.all().len() {
            let Some(piece) = self.programme.get_mut(at) else { continue };
            let lacks = lacking.contains(&piece.no);
            let Some(rower) = piece.rowers.get_mut(&id) else { continue };
            rower.lacks_strokes = lacks;
            if rower.told.is_some() {
                self.tell_result(at, id, out);
            }
        }
    }

    /// Pieces that had begun and whose results depend on what was written in between.
    fn touched(&self, since: At, until: At, only_strokes: bool) -> BTreeSet<PieceNo> {
        let is_touched = |piece: &&Piece| {
            let (Some(go), end) = (piece.starts().first(), piece.rule().until) else {
                return false;
            };
            let is_before_end = since <= end.unwrap_or(self.now);
            // Targets and people date from before the start.
            is_before_end && (!only_strokes || *go <= until + BASELINE_MS)
        };
        self.programme.all().iter().filter(is_touched).map(|piece| piece.no).collect()
    }

    /// Pieces that were over by then and to which strokes of this athlete may have come since: those whose end no later
    /// stroke has passed without a gap before it.
    fn may_have_come_late(&self, id: AthleteId, until: At) -> BTreeSet<PieceNo> {
        let Some(recording) = self.people.get(id).map(|athlete| &athlete.recording) else {
            return BTreeSet::new();
        };
        let ends_in = |piece: &&Piece| piece.rule().until;
        let may =
            |piece: &&Piece| ends_in(piece).is_some_and(|end| !recording.is_whole_beyond(end));
        let begun = |piece: &&Piece| piece.starts().first().is_some_and(|go| *go <= until);
        self.programme.all().iter().filter(begun).filter(may).map(|piece| piece.no).collect()
    }

    fn tell_damage(&mut self, records: Option<Damaged>, told: Damage, out: &mut Vec<Output>) {
        self.damage.push(Lost { records, told: told.clone() });
        // What was told because of what is now lost has numbers too: whoever comes back hears everything that
        // follows.
        self.news.number_anew();
        self.emit(To::COACH, Happening::Damaged(told), out);
    }

    fn words(&self, damaged: &Damaged) -> String {
        let Damaged { since_ms, until_ms, whose, only_strokes, .. } = damaged;
        let when = format!("{} to {} of the session", clock(*since_ms), clock(*until_ms));
        if *only_strokes {
            let whose = if whose.is_empty() { "somebody".to_owned() } else { self.named(whose) };
            return format!(
                "The journal is damaged: strokes of {whose} from {when} cannot be used. Devices that still have them \
                 send them again by themselves; until then the results are marked."
            );
        }
        let what = if whose.is_empty() {
            "it is not known what and of whom, and orders may be among it".to_owned()
        } else {
            format!("it was about {}", self.named(whose))
        };
        format!(
            "The journal is damaged: something from {when} cannot be used; {what}. Check the phase, the roster and \
             the targets before you go on. Results that this may have affected are marked; devices that still have \
             strokes send them again. `thole-server check` says what is damaged, `thole-server salvage` saves what \
             can be read."
        )
    }

    /// Some by name, the others as a number.
    fn named(&self, athletes: &[AthleteId]) -> String {
        let name = |id: &AthleteId| self.name(*id).unwrap_or("somebody").to_owned();
        let mut names: Vec<String> = athletes.iter().take(NAMED_MAX).map(name).collect();
        if athletes.len() > names.len() {
            names.push(format!("{} others", athletes.len() - names.len()));
        }
        match names.split_last() {
            Some((last, [])) => last.clone(),
            Some((last, first)) => format!("{} and {last}", first.join(", ")),
            None => "somebody".to_owned(),
        }
    }
}

/// An instant of the session as hours, minutes and seconds.
fn clock(at: At) -> String {
    let seconds = at.0 / 1_000;
    format!("{}:{:02}:{:02}", seconds / 3_600, seconds / 60 % 60, seconds % 60)
}
