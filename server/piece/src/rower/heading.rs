//! Where an athlete is heading, and how that compares with their own target.

use thole_protocol::{
    standing::{AgainstTarget, Doing, Outcome, Projected},
    total::{Margin, Total},
    units::{At, decimetres, millis},
};

use super::{
    Rower,
    doing::{Found, Idle},
};
use crate::{
    limits::Measure,
    plan::Course,
    projection::{Count, Estimate},
    standings,
    track::{Finish, Rule},
};

/// No stroke for this long is a pause: two of the slowest usual strokes, and a second.
const PAUSE_MS: f64 = 6_000.0;
/// After the start of a later repeat, the pace of the last stretch is that of a standing start for this long
/// (our choice: a dozen strokes).
const SETTLES_AFTER_MS: f64 = 30_000.0;
/// Nobody is called ahead or behind before this share of the piece.
pub(super) const SAID_FROM: f64 = 0.05;
/// Chances of making the target, in thousandths, below and above which that is said, and up to which it stays said (our
/// choice, wide enough that a steady rower is called the same for minutes).
const BEHIND_UNDER: u16 = 250;
const BEHIND_UNTIL: u16 = 350;
const AHEAD_OVER: u16 = 750;
const AHEAD_UNTIL: u16 = 650;

/// Where somebody is heading, and how that compares with their own target.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Heading {
    pub(super) projected: Projected,
    pub(super) margin: Option<Margin>,
}

impl Heading {
    pub(super) fn of(course: &Course, estimate: Estimate) -> Heading {
        let Estimate { finish, low, high, chance } = estimate;
        let cost = |amount| cost(course.measure(), amount);
        let projected = Projected {
            finish: cost(finish),
            low: cost(low),
            high: cost(high),
            chance_permille: chance.map(permille),
        };
        Heading { projected, margin: course.margin(finish) }
    }
}

impl Rower {
    /// Where the finish is heading; for an athlete who has finished, the result. `None` until something was
    /// rowed.
    #[must_use]
    pub fn projected(&self, rule: Rule<'_>, now: At) -> Option<Projected> {
        self.heading(self.finish(rule, now)).map(|heading| heading.projected)
    }

    /// Against their own target: of the projection, or of the finish as shown.
    #[must_use]
    pub fn margin(&self, rule: Rule<'_>, now: At) -> Option<Margin> {
        self.heading(self.finish(rule, now))?.margin
    }

    /// Projection and margin; for a finish, as it is shown.
    pub(super) fn heading(&self, finish: Option<Finish>) -> Option<Heading> {
        let Some(finish) = finish else { return self.heading };
        let shown = self.shown(finish);
        let margin = self.margin_of(shown);
        let chance_permille = margin.map(|m| 1_000 * u16::from(m.margin_ppm.0 >= 0));
        let projected = Projected { finish: shown, low: shown, high: shown, chance_permille };
        Some(Heading { projected, margin })
    }

    /// While somebody who is heard makes no stroke, the range reaches further on the slower side, by what is
    /// being lost.
    pub(super) fn paused(&self, projected: Projected, found: Found) -> Projected {
        let idle = found.idle.map_or(0.0, Idle::ms);
        if idle < PAUSE_MS || found.doing == Doing::Finished {
            return projected;
        }
        match (projected.low, projected.high) {
            (_, Total::Time { finish_ms }) => {
                let high = Total::Time { finish_ms: finish_ms + millis(idle) };
                Projected { high, ..projected }
            }
            (Total::Distance { distance_dm }, _) => {
                let row = self.track.newest();
                let lost = row.map_or(0.0, |row| idle * row.dm / row.ms.max(1.0));
                let distance_dm = decimetres((f64::from(distance_dm.0) - lost).max(0.0));
                Projected { low: Total::Distance { distance_dm }, ..projected }
            }
            (Total::Time { .. }, _) => projected,
        }
    }

    /// Where the finish is heading. The first strokes of a repeat, from a standstill, say nothing about it
    /// that was not known before the rest.
    pub(super) fn estimate_now(&self) -> Option<Estimate> {
        let settling = self.track.newest().is_some_and(|row| {
            row.repeat > 0 && self.track.in_work() && row.into_ms < SETTLES_AFTER_MS
        });
        self.forecast.estimate(&self.course, if settling { &self.rested } else { &self.live })
    }

    /// Compares the finish with what was shown on the way; returns the share of intervals that missed it (0
    /// to 1), if any were shown. `None` for somebody who has not finished, or has taken it easy.
    pub fn judged(&self, rule: Rule<'_>, now: At, count: &mut Count) -> Option<f64> {
        let finish = self.finish(rule, now).filter(|_| self.today.is_as_usual())?;
        let amount = match self.course.measure() {
            Measure::Distance(_) => finish.ms / 1e3,
            Measure::Time(_) => finish.dm / 1e1,
        };
        let made = self.margin(rule, now).is_some_and(|margin| margin.margin_ppm.0 >= 0);
        count.add(self.course.measure(), &self.marks, amount, made)
    }

    /// Whether the word for this athlete is 'behind'.
    #[must_use]
    pub fn is_behind(&self, rule: Rule<'_>, now: At) -> bool {
        self.against_target(self.finish(rule, now)) == Some(AgainstTarget::Behind)
    }

    /// The word for the projection; for a finish, whether the target was made.
    pub(super) fn against_target(&self, finish: Option<Finish>) -> Option<AgainstTarget> {
        if finish.is_none() {
            return self.against_target;
        }
        let margin = self.heading(finish)?.margin?;
        Some(standings::made_or_not(margin))
    }

    /// The word for the projection now, which depends on the one before: a chance that wavers around a limit changes
    /// nothing. Before `SAID_FROM` the projection is history and plan, and nobody is called behind because of those.
    pub(super) fn in_a_word(&self) -> Option<AgainstTarget> {
        let heading = self.heading.filter(|_| self.share() >= SAID_FROM)?;
        let chance = heading.projected.chance_permille?;
        Some(match self.against_target {
            _ if chance < BEHIND_UNDER => AgainstTarget::Behind,
            _ if chance > AHEAD_OVER => AgainstTarget::Ahead,
            Some(AgainstTarget::Behind) if chance <= BEHIND_UNTIL => AgainstTarget::Behind,
            Some(AgainstTarget::Ahead) if chance >= AHEAD_UNTIL => AgainstTarget::Ahead,
            Some(_) | None => AgainstTarget::About,
        })
    }

    /// Where somebody was heading when the end of the piece cut them off.
    pub(super) fn heading_when_cut_off(&self, outcome: Outcome) -> Option<Total> {
        let told = self.heading.filter(|_| self.share() >= SAID_FROM)?;
        (outcome == Outcome::Unfinished).then(|| standings::as_shown(told.projected.finish))
    }

    pub(super) fn shown(&self, finish: Finish) -> Total {
        standings::as_shown(match self.course.measure() {
            Measure::Distance(_) => Total::Time { finish_ms: millis(finish.ms) },
            Measure::Time(_) => Total::Distance { distance_dm: decimetres(finish.dm) },
        })
    }

    pub(super) fn margin_of(&self, shown: Total) -> Option<Margin> {
        self.course.margin(shown.amount())
    }
}

fn cost(measure: Measure, amount: f64) -> Total {
    match measure {
        Measure::Distance(_) => Total::Time { finish_ms: millis(amount * 1e3) },
        Measure::Time(_) => Total::Distance { distance_dm: decimetres(amount * 1e1) },
    }
}

/// Thousandths of a share between 0 and 1.
pub(super) fn permille(share: f64) -> u16 {
    u16::try_from(millis(share.clamp(0.0, 1.0) * 1e3).0).unwrap_or(1_000)
}
