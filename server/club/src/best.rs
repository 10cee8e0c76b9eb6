//! The best that somebody has rowed of each piece, on each kind of machine.

use std::collections::BTreeMap;

use serde::Serialize;
use thole_protocol::{
    standing::{Mark, Outcome},
    total::Total,
};

use crate::{ResultId, day::ClubDay, rowed::total_words};

/// A result that may be a best.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Candidate {
    /// Which.
    pub result: ResultId,
    /// What was rowed, as pieces are written.
    pub work: String,
    /// On which kind of machine; `None` for the club's usual one.
    pub machine: Option<String>,
    /// When.
    pub day: ClubDay,
    /// How it came about.
    pub outcome: Outcome,
    /// The finish as it is shown.
    pub shown: Option<Total>,
    /// What the reader should know.
    pub marks: Vec<Mark>,
    /// It was typed, or a file had it: nobody's machine was heard.
    pub is_said: bool,
    /// A coach has excluded it.
    pub is_excluded: bool,
}

/// The best of one piece on one kind of machine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Best {
    /// Which; of equal ones the first that was rowed.
    pub result: ResultId,
    /// What was rowed, as pieces are written.
    pub work: String,
    /// On which kind of machine.
    pub machine: Option<String>,
    /// When.
    pub day: ClubDay,
    /// The finish as it is shown.
    pub shown: Total,
    /// It was typed, or a file had it.
    pub is_said: bool,
    /// Days on which it was equalled.
    pub equalled: Vec<ClubDay>,
    /// Out of so many.
    pub of: u32,
}

impl Best {
    /// In one line: `2000m: 7:42.3 on 2026-11-30, equalled on 2026-12-07 (typed)`.
    #[must_use]
    pub fn line(&self) -> String {
        let machine = self.machine.as_ref().map_or(String::new(), |kind| format!(" ({kind})"));
        let equalled = self.equalled.iter().map(ClubDay::as_str).collect::<Vec<_>>().join(", ");
        let equalled =
            if equalled.is_empty() { equalled } else { format!(", equalled on {equalled}") };
        let said = if self.is_said { " (typed or imported)" } else { "" };
        format!(
            "{}{machine}: {} on {}{said}{equalled}",
            self.work,
            total_words(self.shown),
            self.day
        )
    }
}

/// The best of each piece and kind of machine, by their names. Only what was rowed to its end counts, and nothing that a coach has
/// excluded, that is faster than anybody is known to row, or that was rowed easily: nobody meant it to be one.
#[must_use]
pub fn bests(all: impl IntoIterator<Item = Candidate>) -> Vec<Best> {
    let mut by_piece: BTreeMap<(String, Option<String>), Vec<Candidate>> = BTreeMap::new();
    for one in all {
        let is_left_out = |mark: &Mark| matches!(mark, Mark::Implausible | Mark::Unranked);
        let counts = !one.is_excluded && !one.marks.iter().any(is_left_out);
        if one.outcome == Outcome::Finished && counts {
            by_piece.entry((one.work.clone(), one.machine.clone())).or_default().push(one);
        }
    }
    by_piece.into_values().filter_map(best).collect()
}

fn best(mut of_piece: Vec<Candidate>) -> Option<Best> {
    of_piece.sort_by(|a, b| (&a.day, a.result).cmp(&(&b.day, b.result)));
    let shown = of_piece.iter().filter_map(|one| one.shown).reduce(better)?;
    let of = of_piece.iter().filter(|one| one.shown.is_some()).count();
    let mut equal = of_piece.into_iter().filter(|one| one.shown == Some(shown));
    let first = equal.next()?;
    Some(Best {
        result: first.result,
        work: first.work,
        machine: first.machine,
        day: first.day,
        shown,
        is_said: first.is_said,
        equalled: equal.map(|one| one.day).collect(),
        of: u32::try_from(of).unwrap_or(u32::MAX),
    })
}

/// Of two results of one piece; both are of one kind, for the piece is.
fn better(one: Total, other: Total) -> Total {
    let is_better = match (one, other) {
        (Total::Time { finish_ms: one }, Total::Time { finish_ms: other }) => other < one,
        (Total::Distance { distance_dm: one }, Total::Distance { distance_dm: other }) => {
            other > one
        }
        (Total::Time { .. }, Total::Distance { .. })
        | (Total::Distance { .. }, Total::Time { .. }) => false,
    };
    if is_better { other } else { one }
}

#[cfg(test)]
mod tests {
    use thole_protocol::units::{Decimetres, Millis};
    use uuid::Uuid;

    use super::*;

    fn rowed(no: u128, day: &str, shown: Option<u32>) -> Candidate {
        Candidate {
            result: ResultId(Uuid::from_u128(no)),
            work: "2000m".to_owned(),
            machine: None,
            day: day.parse().unwrap(),
            outcome: Outcome::Finished,
            shown: shown.map(|ms| Total::Time { finish_ms: Millis(ms) }),
            marks: Vec::new(),
            is_said: false,
            is_excluded: false,
        }
    }

    fn lines(all: Vec<Candidate>) -> Vec<String> {
        bests(all).iter().map(Best::line).collect()
    }

    #[test]
    fn the_fastest_counts_the_first_of_equal_ones_holds_and_what_was_typed_says_so() {
        let typed = Candidate { is_said: true, ..rowed(3, "2026-12-07", Some(462_300)) };
        let slower = rowed(1, "2026-10-01", Some(470_000));
        let all = vec![typed.clone(), slower.clone(), rowed(2, "2026-11-30", Some(462_300))];
        assert_eq!(lines(all), ["2000m: 7:42.3 on 2026-11-30, equalled on 2026-12-07"]);
        assert_eq!(lines(vec![slower, typed]), ["2000m: 7:42.3 on 2026-12-07 (typed or imported)"]);
        assert_eq!(lines(Vec::new()), Vec::<String>::new());
    }

    #[test]
    fn what_is_excluded_unfinished_easy_or_faster_than_anybody_rows_is_no_best() {
        let out = Candidate { is_excluded: true, ..rowed(1, "2026-11-01", Some(300_000)) };
        let half = Candidate { outcome: Outcome::Stopped, ..rowed(2, "2026-11-02", Some(60_000)) };
        let odd =
            Candidate { marks: vec![Mark::Implausible], ..rowed(3, "2026-11-03", Some(1_000)) };
        let open = rowed(4, "2026-11-04", None);
        let easy =
            Candidate { marks: vec![Mark::Unranked], ..rowed(6, "2026-11-06", Some(470_000)) };
        assert_eq!(lines(vec![out.clone(), half, odd, open, easy.clone()]), Vec::<String>::new());
        let good = rowed(5, "2026-11-05", Some(480_000));
        assert_eq!(lines(vec![out, good, easy]), ["2000m: 8:00.0 on 2026-11-05"]);
    }

    #[test]
    fn pieces_and_machines_have_bests_of_their_own_and_of_a_piece_by_time_the_furthest_counts() {
        let by_time = |no, day: &str, dm| Candidate {
            work: "30min".to_owned(),
            shown: Some(Total::Distance { distance_dm: Decimetres(dm) }),
            ..rowed(no, day, None)
        };
        let slide = Candidate {
            machine: Some("slide".to_owned()),
            ..rowed(3, "2026-11-03", Some(450_000))
        };
        let all = vec![
            by_time(1, "2026-11-01", 70_000),
            by_time(2, "2026-11-02", 71_000),
            slide,
            rowed(4, "2026-11-04", Some(460_000)),
        ];
        assert_eq!(
            lines(all),
            [
                "2000m: 7:40.0 on 2026-11-04",
                "2000m (slide): 7:30.0 on 2026-11-03",
                "30min: 7100m on 2026-11-02"
            ]
        );
    }
}
