//! Whether the machine's own clock and the session's run alike while somebody rows.

use super::STRETCH_MS;
use crate::recording::Point;

/// They may differ by this much: reports take their time (design: a second).
const APART_MS: i64 = 1_000;
/// A clock of whole seconds reads up to this much too low.
const WHOLE_SECOND_MS: i64 = 1_000;
/// Reports are late now and then and never early, so the smallest delay among this many is compared (our
/// choice).
const WINDOW: u8 = 4;

/// The session's clock against the machine's over one stretch of rowing. A machine's clock may stand still while
/// nobody rows: that alone makes the session's clock gain on it, and they are compared afresh from there.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Clocks {
    /// How far ahead the session's clock was at first, at the least.
    at_first: Option<i64>,
    /// The same now, over this many reports.
    least: Option<i64>,
    reports: u8,
    tells_fractions: bool,
    /// By how much the session's clock has gained on the machine's, once that is too much.
    pub(super) apart_ms: Option<i64>,
}

impl Clocks {
    /// Those of the next stretch: nobody rows in the rest.
    pub(super) fn of_next(last: Clocks) -> Clocks {
        Clocks { apart_ms: last.apart_ms, ..Clocks::default() }
    }

    /// Takes the next report of a stretch.
    pub(super) fn hear(&mut self, before: Option<&Point>, point: &Point) {
        let Some(ahead) = ahead_of(point) else { return };
        self.tells_fractions |= point.machine_ms.is_some_and(|ms| ms % 1_000 != 0);
        let Some((before, was)) = before.and_then(|before| Some((before, ahead_of(before)?)))
        else {
            return;
        };
        let gap = point.heard.saturating_sub(before.heard) as f64;
        let rows = before.moving && point.moving && gap <= STRETCH_MS;
        if point.joined || (!rows && ahead > was) {
            *self = Clocks::of_next(*self);
            return;
        }
        self.least = Some(self.least.map_or(ahead, |least| least.min(ahead)));
        self.reports += 1;
        let whole = if self.tells_fractions { 0 } else { WHOLE_SECOND_MS };
        let gained = self.at_first.zip(self.least).map(|(at_first, least)| least - at_first);
        let window_is_full = self.reports >= WINDOW;
        // No report arrives before it was made: the session's clock has fallen back, and one report is enough
        // to tell.
        let tells = window_is_full || gained.is_some_and(|gained| gained < 0);
        let too_much = gained.filter(|gained| tells && gained.abs() > APART_MS + whole);
        self.apart_ms = self.apart_ms.or(too_much);
        if window_is_full {
            self.at_first = self.at_first.or(self.least);
            (self.least, self.reports) = (None, 0);
        }
    }
}

/// How far the session's clock was ahead of the machine's when this was heard.
fn ahead_of(point: &Point) -> Option<i64> {
    Some(point.heard.cast_signed() - i64::from(point.machine_ms?))
}
