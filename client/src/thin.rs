//! For a machine that reports more often than the server accepts: four times a second in the long run.

use thole_protocol::limits::SAMPLES_A_SECOND;

/// Reports per second that are recorded.
const A_SECOND: i64 = SAMPLES_A_SECOND as i64;
/// On top of that: a radio that was held up delivers several at once (our choice: ten seconds' worth).
const SPARE: i64 = 40;

/// Lets through as many reports as may be recorded. Counters are cumulative: all that is lost with the others is how
/// finely the way is known.
#[derive(Clone, Copy, Debug)]
pub struct Thin {
    /// In thousandths of a report.
    left: i64,
    newest_ms: i64,
}

impl Default for Thin {
    fn default() -> Thin {
        Thin { left: SPARE * 1_000, newest_ms: i64::MIN }
    }
}

impl Thin {
    /// Whether a report that was heard at this instant is recorded.
    pub fn lets(&mut self, heard_ms: i64) -> bool {
        let gone_ms = heard_ms.saturating_sub(self.newest_ms).max(0);
        self.newest_ms = self.newest_ms.max(heard_ms);
        self.left = self.left.saturating_add(gone_ms.saturating_mul(A_SECOND)).min(SPARE * 1_000);
        let lets = self.left >= 1_000;
        if lets {
            self.left -= 1_000;
        }
        lets
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recorded(every_ms: i64, seconds: i64) -> i64 {
        let mut thin = Thin::default();
        let reports = (0..seconds * 1_000 / every_ms).filter(|nth| thin.lets(nth * every_ms));
        i64::try_from(reports.count()).unwrap()
    }

    #[test]
    fn four_a_second_are_all_recorded_and_of_ten_four() {
        assert_eq!(recorded(250, 3_600), 4 * 3_600);
        assert_eq!(recorded(2_400, 2_400), 1_000);
        let of_ten = recorded(100, 600);
        assert!((4 * 600..=4 * 600 + SPARE).contains(&of_ten), "{of_ten}");
    }

    #[test]
    fn several_at_once_are_all_recorded() {
        let mut thin = Thin::default();
        assert!((0..40).all(|_| thin.lets(5_000)));
        assert!(!thin.lets(5_000));
        assert!(thin.lets(5_250));
    }
}
