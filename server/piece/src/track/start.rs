//! Where a repeat begins: how far the machine had counted by then, and what that is known from.

use super::{STRETCH_MS, USUAL_FIRST_DM_PER_MS, end::FASTEST_DM_PER_MS};
use crate::recording::Point;

/// A machine's clock shows that it began after an instant if it tells at most the time since then, and this:
/// clocks of whole seconds, and reports that were a while on their way.
const CLOCK_SLACK_MS: f64 = 1_000.0;
/// Further than one stroke takes anybody, decimetres: strokes beyond 18 m are flagged (common practice, no
/// source). Less than that, first heard after a silence, is the stroke that ended the silence.
pub(super) const ONE_STROKE_DM: f64 = 180.0;
/// A machine that stood still this long before the start stood ready for it: the whole count-down by default,
/// and five seconds (own choice).
const STOOD_READY_MS: f64 = 15_000.0;

/// A point and those before it.
#[derive(Clone, Copy)]
pub(super) struct Around<'a> {
    pub(super) earlier: Option<&'a Point>,
    pub(super) before: Option<&'a Point>,
    pub(super) point: &'a Point,
}

/// The joined distance at the start of a stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Base {
    pub(super) dm: f64,
    pub(super) known: KnownBy,
    /// Whether the machine stood at nothing, which it does not cut off.
    pub(super) is_zero: bool,
    /// For how long before the start something may have been rowed that is counted, milliseconds.
    pub(super) open_ms: f64,
}

/// How it is known where the machine stood at the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum KnownBy {
    /// It was heard before the start.
    Heard,
    /// The machine's own clock shows that it began after the start.
    ByClock,
    /// It is not: only what was surely rowed since the start counts.
    No,
}

impl Around<'_> {
    /// Where the machine stood at the start, which lies before `point`, if all up to `done_dm` is of earlier
    /// repeats. Nobody is given what was rowed before, and that somebody could have rowed it since proves nothing.
    pub(super) fn base(self, start: f64, done_dm: f64) -> Base {
        let dm = f64::from(self.point.dm);
        let since = self.point.heard as f64 - start;
        let Some(before) = self.before else { return self.base_of_first(since) };
        let (gap, stood) = (
            self.point.heard.saturating_sub(before.heard) as f64,
            f64::from(before.dm).max(done_dm),
        );
        let (ago, gained) = (start - before.heard as f64, (dm - stood).max(0.0));
        // However it was, nobody has rowed further since the start than the fastest do.
        let most = since * FASTEST_DM_PER_MS;
        let heard = |at: f64| {
            let base = at.max(dm - most);
            let is_zero = before.machine_dm == 0 && base <= f64::from(before.dm);
            Base { dm: base, known: KnownBy::Heard, is_zero, open_ms: 0.0 }
        };
        if self.is_joined_unclocked() {
            return Base { dm, known: KnownBy::No, is_zero: false, open_ms: 0.0 };
        }
        if gap <= STRETCH_MS {
            let rowing = before.moving
                && self.earlier.is_some_and(|earlier| {
                    (before.heard.saturating_sub(earlier.heard) as f64) <= STRETCH_MS
                });
            let share = if rowing && gap > 0.0 { (ago / gap).clamp(0.0, 1.0) } else { 0.0 };
            let before = f64::from(before.dm);
            return heard((before + share * (dm - before)).max(stood.min(dm)));
        }
        if gained <= ONE_STROKE_DM {
            return heard(stood);
        }
        if self.clock_gained(before).is_some_and(|gained| gained <= since + CLOCK_SLACK_MS) {
            return Base { known: KnownBy::ByClock, ..heard(stood) };
        }
        if !before.moving && ago <= STOOD_READY_MS {
            // Whoever sat ready has rowed all of it since; whoever rowed on the quiet has not, and nothing tells which.
            let open_ms = ago.clamp(0.0, gained / FASTEST_DM_PER_MS);
            return Base { open_ms, ..heard(stood) };
        }
        let before_start = (ago * FASTEST_DM_PER_MS).clamp(0.0, gained);
        Base { known: KnownBy::No, ..heard(stood + before_start) }
    }

    /// Whether the machine was reset just before this point, and no clock of its own says when.
    fn is_joined_unclocked(self) -> bool {
        self.point.joined && self.point.machine_ms.is_none() && self.point.machine_dm > 0
    }

    /// For how long the machine has counted since the point before; `None` without a clock of its own.
    fn clock_gained(self, before: &Point) -> Option<f64> {
        let now = self.point.machine_ms?;
        let then = if self.point.joined { 0 } else { before.machine_ms? };
        now.checked_sub(then).map(f64::from)
    }

    /// Nothing was heard before the start: a machine that began since then, by its own clock, tells all; one at
    /// zero has nothing to tell yet.
    fn base_of_first(self, since: f64) -> Base {
        let Point { dm, machine_dm, machine_ms, .. } = *self.point;
        let dm = f64::from(dm);
        if machine_dm == 0 {
            return Base { dm, known: KnownBy::Heard, is_zero: true, open_ms: 0.0 };
        }
        match machine_ms {
            // A clock says when the machine began; that it counted no further than anybody rows since then says that it is one.
            Some(elapsed)
                if f64::from(elapsed) <= since + CLOCK_SLACK_MS
                    && f64::from(machine_dm)
                        <= (f64::from(elapsed) + CLOCK_SLACK_MS) * FASTEST_DM_PER_MS =>
            {
                let dm = dm - f64::from(machine_dm);
                Base { dm, known: KnownBy::ByClock, is_zero: true, open_ms: 0.0 }
            }
            Some(_) | None => Base { dm, known: KnownBy::No, is_zero: false, open_ms: 0.0 },
        }
    }

    /// Where the machine stood at their own first stroke: as it was heard last, which may be after the go.
    pub(super) fn own_base(self, go: f64) -> Base {
        match self.before {
            Some(before) if before.heard as f64 >= go && !self.is_joined_unclocked() => {
                let is_zero = before.machine_dm == 0;
                Base { dm: f64::from(before.dm), known: KnownBy::Heard, is_zero, open_ms: 0.0 }
            }
            Some(_) | None => self.base(go, 0.0),
        }
    }

    /// The own first stroke after the go, once this point shows that it was made: when it began, how far from the
    /// truth that may lie, and where the machine stood. It moves no further than the samples do, so that a
    /// sample a little later never makes another result.
    pub(super) fn own_start(self, go: f64, base: Base) -> Option<(f64, f64, Base)> {
        let heard = self.point.heard as f64;
        let before = self.before.map(|before| before.heard as f64);
        let moved = f64::from(self.point.dm) - base.dm;
        if moved <= 0.0 {
            return None;
        }
        let earliest = before.map_or(go, |before| before.max(go));
        let latest = (heard - moved / FASTEST_DM_PER_MS).max(earliest);
        let usual = heard - moved / USUAL_FIRST_DM_PER_MS;
        let (start, slack) = self.by_clock(usual).unwrap_or((usual, f64::INFINITY));
        let start = start.clamp(earliest, latest);
        let open = (start - earliest).max(latest - start).min(slack);
        Some((start, open, base))
    }

    /// When the machine began to count, by a clock of its own that stood still until then, and how sure that is;
    /// in as far as it may have run on, `usual` counts.
    fn by_clock(self, usual: f64) -> Option<(f64, f64)> {
        let heard = self.point.heard as f64;
        let gained = match self.before {
            Some(before) => self.clock_gained(before)?,
            None => f64::from(self.point.machine_ms?),
        };
        let stood = match self.before {
            Some(before) => heard - before.heard as f64 - gained,
            None => f64::INFINITY,
        };
        // A clock of whole seconds seems to have stood for up to a second.
        let trust = ((stood - CLOCK_SLACK_MS) / CLOCK_SLACK_MS).clamp(0.0, 1.0);
        let start = trust * (heard - gained) + (1.0 - trust) * usual;
        let slack = if trust < 1.0 { f64::INFINITY } else { CLOCK_SLACK_MS };
        Some((start, slack))
    }
}
