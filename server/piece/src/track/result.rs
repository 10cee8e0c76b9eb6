//! What a result says about the way it was rowed: its splits, what was missed, and what its reader should
//! know.

use thole_protocol::{
    standing::{Mark, Split},
    units::{Decimetres, Millis, decimetres, millis},
};

use super::{Finish, Missed, Track};

impl Track {
    /// Quarters of a single stretch, repeats of an interval piece; times and distances add up exactly to
    /// those of `finish` (or of what was rowed), since each is rounded from its own end.
    #[must_use]
    pub fn splits(&self, finish: Option<Finish>) -> Vec<Split> {
        let end = finish
            .map(|finish| (finish.ms, finish.dm))
            .or(self.progress.map(|row| (row.ms, row.dm)));
        let mut splits = Vec::with_capacity(self.marks.len() + 1);
        let mut before = (0.0, 0.0);
        // Somebody who stopped on the way has no splits for the time that has gone by since.
        let rowed = |mark: &&(f64, f64)| end.is_none_or(|end| mark.0 <= end.0);
        for (no, &mark) in self.marks.iter().filter(rowed).chain(end.iter()).enumerate() {
            if self.missed_repeats.contains(&no) {
                splits.push(Split { distance_dm: Decimetres(0), time_ms: Millis(0) });
                before = mark;
            } else if mark.0 > before.0 || mark.1 > before.1 {
                splits.push(Split {
                    distance_dm: decimetres(mark.1) - decimetres(before.1),
                    time_ms: millis(mark.0) - millis(before.0),
                });
                before = mark;
            }
        }
        splits
    }

    /// What of the piece was over before this athlete came; `None` for athletes who missed no repeat.
    #[must_use]
    pub fn missed(&self) -> Option<Missed> {
        (!self.missed_repeats.is_empty()).then_some(self.missed)
    }

    /// What the reader of the result should know.
    pub fn marks(&self) -> impl Iterator<Item = Mark> {
        [
            (self.joined, Mark::Joined),
            (self.no_baseline, Mark::NoBaseline),
            (self.heard_late, Mark::HeardLate),
            (self.clocks.apart_ms.is_some(), Mark::ClocksApart),
            (self.late_start, Mark::LateStart),
            (!self.missed_repeats.is_empty(), Mark::RepeatsMissed),
        ]
        .into_iter()
        .filter_map(|(is, mark)| is.then_some(mark))
    }
}
