//! Repeats that were over for the class before an athlete rowed in them.

use thole_protocol::spec::{Extent, RepeatStart};

use super::{
    AHEAD_MS, Rule, TREMBLE_DM, Track,
    clocks::Clocks,
    start::{Around, KnownBy, ONE_STROKE_DM},
};
use crate::fine_at::FineAt;

impl Track {
    /// Passes over repeats that were over for the class before this athlete rowed in them: whoever comes late rows from
    /// the current one on.
    pub(super) fn miss(&mut self, around: Around<'_>, rule: Rule<'_>) {
        while let Some(next) = rule.starts.get(self.repeat + 1).map(FineAt::from)
            && let Some(repeat) = rule.repeats.get(self.repeat)
            && rule.repeat_start == RepeatStart::CommonSignal
            && self.is_missed(around, rule, next)
        {
            match repeat.work {
                Extent::Distance { distance_dm } => self.missed.dm += f64::from(distance_dm.0),
                Extent::Time { time_ms } => self.missed.ms += f64::from(time_ms.0),
            }
            let (ms, dm) = self.marks.last().copied().unwrap_or_default();
            (self.done_ms, self.done_dm) = match repeat.work {
                Extent::Distance { distance_dm } => (ms, dm + f64::from(distance_dm.0)),
                Extent::Time { time_ms } => (ms + f64::from(time_ms.0), dm),
            };
            self.missed_repeats.push(self.marks.len());
            self.marks.push((self.done_ms, self.done_dm));
            self.clocks = Clocks::of_next(self.clocks);
            self.rowing = None;
            self.repeat += 1;
        }
    }

    /// Whether nothing was rowed of this repeat when the next one began, at `next`.
    fn is_missed(&self, around: Around<'_>, rule: Rule<'_>, next: FineAt) -> bool {
        let Around { before, point, .. } = around;
        let rowed = self.rowing.map_or(0.0, |stretch| stretch.dm - stretch.base);
        if point.at() <= next || rowed > TREMBLE_DM {
            return false;
        }
        if self.ended.is_some_and(|(ended, _)| ended >= next) {
            return true;
        }
        match before {
            Some(before) if before.at() >= next => true,
            // Somebody who stood still until then has begun with this stroke; more than one stroke means rowing
            // unheard.
            Some(before) => f64::from(point.dm.saturating_sub(before.dm)) <= ONE_STROKE_DM,
            // A machine that began in this repeat, by its own clock, reports all of it.
            None => {
                let start = rule.starts.get(self.repeat).map_or(FineAt::default(), FineAt::from);
                let began = point.machine_ms.map(|machine| point.at() - f64::from(machine));
                around.base(start, 0.0).known != KnownBy::ByClock
                    || began.is_none_or(|began| began >= next - AHEAD_MS)
            }
        }
    }
}
