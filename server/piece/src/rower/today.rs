//! How an athlete rows one piece by their own word: like everybody, easily, or not at all.

use std::borrow::Cow;

use thole_protocol::{
    spec::{Aim, Today},
    units::At,
};

use super::{Heading, Rower};
use crate::{fine_at::FineAt, plan::Course, projection::Live, roster::Athlete};

/// A word that was said after the countdown had begun. It counts if the first stroke came after it; whoever has seen how they row, or
/// has kept strokes back, changes no place by it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LateWord {
    said_at: At,
    /// What stood when the countdown began.
    before: Today,
}

/// Whoever takes it easy has no target and no plan, and nothing is expected of them by what they once rowed.
pub(super) fn rowed_by(aim: &Aim, today: Today) -> Cow<'_, Aim> {
    match today {
        Today::AsUsual => Cow::Borrowed(aim),
        Today::Easy | Today::Not => Cow::Owned(Aim::default()),
    }
}

impl Rower {
    /// How they row this piece.
    #[must_use]
    pub fn today(&self) -> Today {
        self.today
    }

    /// Whether they have said that they do not row, and do not.
    #[must_use]
    pub fn sits_out(&self) -> bool {
        self.today == Today::Not && !self.has_rowed()
    }

    /// Whether nobody pushes them: they take it easy in this piece, or have said so since it began.
    #[must_use]
    pub fn is_let_be(&self, athlete: &Athlete) -> bool {
        !self.today.is_as_usual() || !athlete.today.is_as_usual()
    }

    /// Whether nobody waits for them, by their own word.
    #[must_use]
    pub fn is_not_waited_for(&self, athlete: &Athlete) -> bool {
        [self.today, athlete.today].contains(&Today::Not)
    }

    /// Says how they row this piece after its countdown has begun, unless they have set off.
    pub fn row_today(&mut self, today: Today, now: At) {
        if self.has_rowed() || today == self.today {
            return;
        }
        let before = self.late_word.map_or(self.today, |word| word.before);
        self.late_word = Some(LateWord { said_at: now, before });
        self.set_out(today);
    }

    /// What they said stands, though they aim at something else now.
    pub(crate) fn keep_word_of(&mut self, before: &Rower) {
        self.late_word = before.late_word;
        self.set_out(before.today);
    }

    /// Takes the last word back if it came after the first stroke, whichever of the two was heard first; true when it was taken
    /// back just now.
    pub(super) fn word_came_too_late(&mut self) -> bool {
        let Some(began) = self.began else { return false };
        let is_late = |word: &mut LateWord| began < FineAt::from(word.said_at);
        let Some(word) = self.late_word.take_if(is_late) else { return false };
        self.set_out(word.before);
        true
    }

    /// Goes by this word from the first stroke on.
    pub(crate) fn set_out(&mut self, today: Today) {
        if today == self.today {
            return;
        }
        self.today = today;
        let (measure, repeats) = (self.course.measure(), usize::from(self.course.repeats()));
        // It was found good when it was taken.
        let Ok(course) = Course::new(measure, repeats, &rowed_by(&self.aim, today)) else { return };
        self.live = Live::new();
        self.heading =
            self.forecast.estimate(&course, &self.live).map(|told| Heading::of(&course, told));
        self.enough = self.live.enough_per_500m(&course);
        self.against_target = None;
        self.course = course;
    }
}
