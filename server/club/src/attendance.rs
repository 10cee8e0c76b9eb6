//! Who came: what is known by itself, and what stands over it.

use thole_protocol::{
    club::{AttendanceKnown, AttendanceSource, AttendanceState},
    standing::{Mark, Outcome},
};

/// What the results of one person in one session say.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// They have rowed, in whichever piece.
    pub has_rowed: bool,
    /// Their first stroke of the session's first piece came late.
    pub is_late: bool,
    /// They were expected: in the group that is asked about, or on the session's list.
    pub is_expected: bool,
}

impl Seen {
    /// Takes one of their results in; whoever was on the list and never rowed has one, too.
    pub fn take(&mut self, outcome: Outcome, marks: &[Mark], is_first_piece: bool) {
        self.is_expected = true;
        if outcome != Outcome::DidNotStart {
            self.has_rowed = true;
            self.is_late |= is_first_piece && marks.contains(&Mark::LateStart);
        }
    }
}

/// What somebody has said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SaidAttendance {
    /// What.
    pub state: AttendanceState,
    /// By whom, as the club calls them.
    pub by: Option<String>,
    /// When.
    pub at_unix_ms: Option<u64>,
}

/// What is known of somebody; `None`: nothing. What was said stands over what was seen, whoever has said it.
#[must_use]
pub fn known(seen: Seen, said: Option<SaidAttendance>) -> Option<AttendanceKnown> {
    if let Some(SaidAttendance { state, by, at_unix_ms }) = said {
        let source = AttendanceSource::Said;
        return Some(AttendanceKnown { state, source, said_by: by, said_unix_ms: at_unix_ms });
    }
    let (state, source) = match seen {
        Seen { has_rowed: true, is_late: true, .. } => {
            (AttendanceState::Late, AttendanceSource::Rowed)
        }
        Seen { has_rowed: true, .. } => (AttendanceState::Came, AttendanceSource::Rowed),
        Seen { is_expected: true, .. } => (AttendanceState::Absent, AttendanceSource::Expected),
        Seen { .. } => return None,
    };
    Some(AttendanceKnown { state, source, said_by: None, said_unix_ms: None })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(results: &[(Outcome, &[Mark], bool)], said: Option<AttendanceState>) -> String {
        let mut seen = Seen::default();
        for (outcome, marks, is_first) in results {
            seen.take(*outcome, marks, *is_first);
        }
        let said = said.map(|state| SaidAttendance { state, by: None, at_unix_ms: None });
        known(seen, said)
            .map_or("nothing".to_owned(), |known| format!("{:?} {:?}", known.state, known.source))
    }

    #[test]
    fn whoever_rowed_came_and_what_is_said_stands_over_it() {
        let late: &[Mark] = &[Mark::Gaps, Mark::LateStart];
        assert_eq!(of(&[], None), "nothing");
        assert_eq!(of(&[(Outcome::Finished, &[], true)], None), "Came Rowed");
        assert_eq!(of(&[(Outcome::Unheard, late, true)], None), "Late Rowed");
        // Late in a later piece is a pause that was too long.
        let both: &[(Outcome, &[Mark], bool)] =
            &[(Outcome::Finished, &[], true), (Outcome::Finished, late, false)];
        assert_eq!(of(both, None), "Came Rowed");
        let never = (Outcome::DidNotStart, late, true);
        assert_eq!(of(&[never], None), "Absent Expected");
        assert_eq!(of(&[never, (Outcome::Stopped, &[], false)], None), "Came Rowed");
        for state in [AttendanceState::Home, AttendanceState::Absent] {
            assert_eq!(of(both, Some(state)), format!("{state:?} Said"));
            assert_eq!(of(&[], Some(state)), format!("{state:?} Said"));
        }
    }
}
