//! Which calls are watched for what changes after them, and when that is told.

use std::collections::BTreeMap;

use thole_protocol::{
    event::Happening,
    ids::{AthleteId, CallId},
    units::{At, Millis},
};

use super::Session;
use crate::{
    effect::{AFTER, BEFORE, OwnChange, Pace, REACTION, SETTING_OFF, effect},
    fine_at::FineAt,
    output::{Output, To},
    piece::{Piece, Roster, both},
};

/// By then the last stroke under a call is in: it takes two seconds, and its report a little more.
const LAST_STROKE: Millis = Millis(5_000);

/// Calls that went out and whose effect has not been told; those of a sheet for as long as others may still
/// reach their points.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct CallWatch {
    calls: BTreeMap<CallId, Watched>,
}

#[derive(Clone, Debug, PartialEq)]
struct Watched {
    /// Which piece, counted from 0.
    piece: usize,
    got: BTreeMap<AthleteId, Begun>,
    /// Those who rowed and did not get it, without those who take it easy; empty for a call of the sheet, which everybody gets.
    others: BTreeMap<AthleteId, Begun>,
    /// When it is told; `None` once it has been.
    due: Option<At>,
    /// How many of those who got it hold it up: only when the last of them is done is everybody looked at; otherwise a
    /// call to a thousand would mean looking at a thousand for each one who is done.
    latest: usize,
}

/// How somebody was rowing when a call came.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Begun {
    /// When it came.
    at: At,
    /// When it was over for them.
    until: Option<At>,
    /// Before it.
    pace: Pace,
    /// In which repeat: what is rowed in another one came after a rest.
    repeat: usize,
}

impl Begun {
    fn until(&self) -> At {
        let most = self.at + AFTER;
        self.until.map_or(most, |until| until.min(most))
    }

    /// When the last stroke under it is in.
    fn due(&self) -> At {
        self.until() + LAST_STROKE
    }
}

impl Watched {
    fn of(piece: usize) -> Watched {
        Watched { piece, got: BTreeMap::new(), others: BTreeMap::new(), due: None, latest: 0 }
    }

    fn set_due(&mut self) {
        self.due = self.got.values().map(Begun::due).max();
        self.latest = self.got.values().filter(|begun| Some(begun.due()) == self.due).count();
    }

    /// One more athlete got it.
    fn begin(&mut self, id: AthleteId, begun: Begun) {
        let is_other = self.got.insert(id, begun).is_none();
        match self.due {
            Some(due) if is_other && begun.due() < due => {}
            Some(due) if is_other && begun.due() == due => self.latest += 1,
            Some(_) | None => self.set_due(),
        }
    }

    /// It is over for one of those who got it.
    fn end(&mut self, id: AthleteId, now: At) {
        let Some(begun) = self.got.get_mut(&id).filter(|begun| begun.until.is_none()) else {
            return;
        };
        let before = begun.due();
        begun.until = Some(now);
        if self.due == Some(before) && begun.due() < before {
            self.latest -= 1;
            if self.latest == 0 {
                self.set_due();
            }
        }
    }
}

impl CallWatch {
    /// When the next effect is told.
    pub(super) fn deadline(&self) -> Option<At> {
        self.calls.values().filter_map(|watched| watched.due).min()
    }

    /// The call is over for one athlete.
    pub(super) fn over_for(&mut self, call: CallId, id: AthleteId, now: At) {
        if let Some(watched) = self.calls.get_mut(&call) {
            watched.end(id, now);
        }
    }

    /// Its effect is not told: it was taken back.
    pub(super) fn forget(&mut self, call: CallId) {
        self.calls.remove(&call);
    }

    /// The piece starts again.
    pub(super) fn forget_piece(&mut self, piece: usize) {
        self.calls.retain(|_, watched| watched.piece != piece);
    }
}

impl Session {
    /// A call went out to these.
    pub(super) fn watch_call(&mut self, call: CallId, athletes: &[AthleteId]) {
        let Session { people, programme, now, watch, .. } = self;
        let Some(piece) = programme.current() else { return };
        let mut watched = Watched::of(programme.current_at());
        for (id, rower, athlete) in both(&piece.rowers, people.roster()) {
            let Some(begun) = begun(piece, people.roster(), *id, *now) else { continue };
            // Both are in the order of identities; searching the whole list for each would be a thousand times a thousand.
            let got = athletes.binary_search(id).is_ok();
            if !got && rower.is_let_be(athlete) {
                continue;
            }
            let side = if got { &mut watched.got } else { &mut watched.others };
            side.insert(*id, begun);
        }
        watched.set_due();
        // Where nothing is known from before, nothing can be told about after; that is told as soon as it is
        // clear.
        watched.due.get_or_insert(*now);
        watch.calls.insert(call, watched);
    }

    /// An athlete has reached a point of the sheet.
    pub(super) fn watch_sheet_call(&mut self, call: CallId, at: usize, id: AthleteId, from: At) {
        let Session { people, programme, watch, .. } = self;
        let Some(piece) = programme.get(at) else { return };
        let Some(begun) = begun(piece, people.roster(), id, from) else { return };
        let watched = watch.calls.entry(call).or_insert_with(|| Watched::of(at));
        watched.begin(id, begun);
    }

    /// Tells what changed after calls whose last stroke is in.
    pub(super) fn tell_effects(&mut self, out: &mut Vec<Output>) {
        let Session { people, programme, now, watch, .. } = self;
        let mut told = Vec::new();
        for (call, watched) in &mut watch.calls {
            if watched.due.is_none_or(|due| due > *now) {
                continue;
            }
            watched.due = None;
            let Some(piece) = programme.get(watched.piece) else { continue };
            let until = watched.got.values().map(Begun::until).max();
            let changes = |of: &BTreeMap<AthleteId, Begun>| -> Vec<OwnChange> {
                of.iter()
                    .filter_map(|(id, begun)| changed(piece, people.roster(), *id, begun, until))
                    .collect()
            };
            told.push(effect(*call, &changes(&watched.got), &changes(&watched.others)));
        }
        for effect in told {
            self.emit(To::COACH, Happening::CallEffect(effect), out);
        }
        let Session { programme, watch, .. } = self;
        let goes_on = |watched: &Watched| {
            let is_over = programme.get(watched.piece).is_none_or(Piece::is_over);
            watched.due.is_some() || (watched.others.is_empty() && !is_over)
        };
        watch.calls.retain(|_, watched| goes_on(watched));
    }
}

/// How somebody has rowed up to this instant; `None` when that was too little, or at rest.
fn begun(piece: &Piece, roster: &Roster, id: AthleteId, at: At) -> Option<Begun> {
    let (rower, athlete) = (piece.rowers.get(&id)?, roster.get(&id)?);
    let (repeat, into_ms) = rower.repeat_so_far()?;
    let now = FineAt::from(at);
    let from = (now - f64::from(BEFORE.0)).max(now - into_ms + f64::from(SETTING_OFF.0));
    let pace = Pace::between(athlete.recording.recent(), from, now)?;
    Some(Begun { at, until: None, pace, repeat })
}

/// What has changed for somebody since; `None` when too little was rowed of the same repeat.
fn changed(
    piece: &Piece,
    roster: &Roster,
    id: AthleteId,
    begun: &Begun,
    until: Option<At>,
) -> Option<OwnChange> {
    let (rower, athlete) = (piece.rowers.get(&id)?, roster.get(&id)?);
    let from = FineAt::from(begun.at + REACTION);
    let until = FineAt::from(until?.min(begun.until()));
    let over = rower.repeat_over_at(piece.rule(), begun.repeat)?;
    let after = Pace::between(athlete.recording.recent(), from, until.min(over))?;
    Some(OwnChange::of(begun.pace, after))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use uuid::Uuid;

    use super::*;

    /// Somebody gets the call, or is done with it, or it is told; who, and milliseconds since the step before.
    fn steps() -> impl Strategy<Value = Vec<(u8, u128, u64)>> {
        prop::collection::vec((0..8_u8, 0..6_u128, 0..20_000_u64), 1..60)
    }

    proptest! {
        #[test]
        fn it_is_due_when_the_last_stroke_of_the_last_is_in(steps in steps()) {
            let mut watched = Watched::of(0);
            let mut now = At(1_000);
            for (what, who, later) in steps {
                // Half of them come in one instant, as with a call to all.
                now = if later % 2 == 0 { now } else { At(now.0 + later) };
                let id = AthleteId(Uuid::from_u128(who));
                match what {
                    0..4 => {
                        let pace = Pace::default();
                        watched.begin(id, Begun { at: now, until: None, pace, repeat: 0 });
                    }
                    4..7 => watched.end(id, now),
                    _ => watched.due = None,
                }
                let last = watched.got.values().map(Begun::due).max();
                prop_assert!(watched.due.is_none() || watched.due == last, "{watched:?}");
            }
        }
    }
}
