//! Where a repeat begins: how far the machine had counted by then, and how that is known.

use super::{STRETCH_MS, USUAL_FIRST_DM_PER_MS, end::FASTEST_DM_PER_MS};
use crate::{fine_at::FineAt, recording::Point};

/// A machine's clock shows that it began after an instant if it reads at most the time since then, plus this:
/// for clocks of whole seconds, and reports that were a while on their way.
const CLOCK_SLACK_MS: f64 = 1_000.0;
/// Steps in which machines' clocks count, the longest first. Whole seconds and tenths are cut off, and a machine that began
/// at zero has on average run half a step longer than it shows; one that stood in mid-second loses as much at both ends.
/// Half of a hundredth is nothing.
const CLOCK_STEPS_MS: [u32; 2] = [1_000, 100];
/// Further than one stroke takes anybody, decimetres: strokes beyond 18 m are flagged (common practice, no
/// source). Less than that, first heard after a silence, is the stroke that ended the silence.
pub(super) const ONE_STROKE_DM: f64 = 180.0;
/// A machine that stood still this long before the start was standing ready for it: the whole countdown by
/// default, and five seconds more (our choice).
const STOOD_READY_MS: f64 = 15_000.0;

/// A point and those before it.
#[derive(Clone, Copy)]
pub(super) struct Around<'a> {
    pub(super) earlier: Option<&'a Point>,
    pub(super) before: Option<&'a Point>,
    pub(super) point: &'a Point,
}

/// How long a machine's clock has stood still while nobody rowed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stood {
    machine_ms: u32,
    dm: u32,
    /// When it was first and last seen to show this.
    since: FineAt,
    until: FineAt,
}

impl Stood {
    /// After one more point. A clock may have begun while the machine shows nothing of the stroke yet: as long as that can
    /// stay hidden, the reading at which it stood before counts.
    pub(super) fn by(before: Option<Stood>, point: &Point) -> Option<Stood> {
        let (machine_ms, heard) = (point.machine_ms?, point.at());
        let now = Stood { machine_ms, dm: point.dm, since: heard, until: heard };
        let before = before.filter(|before| before.dm == point.dm && !point.joined);
        let ran = before.and_then(|before| machine_ms.checked_sub(before.machine_ms));
        let Some((before, ran)) = before.zip(ran.map(f64::from)) else { return Some(now) };
        if ran == 0.0 {
            Some(Stood { until: heard, ..before })
        } else if ran <= CLOCK_SLACK_MS {
            Some(before)
        } else {
            Some(now)
        }
    }

    fn lasted(self) -> f64 {
        self.until - self.since
    }
}

/// What part of a start comes from a machine's clock.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct ByClock {
    /// How far the clock is believed, 0 to 1.
    trust: f64,
    /// When it began, going by what it shows.
    shown: FineAt,
    /// The steps it seems to count in, milliseconds.
    step: f64,
    /// Whether it began at zero, where nothing is cut off.
    is_from_zero: bool,
}

impl ByClock {
    /// Corrected by what the clock reads now, and by how much later that makes the start, milliseconds.
    pub(super) fn finer(self, machine_ms: Option<u32>) -> (ByClock, f64) {
        let step = machine_ms.map_or(self.step, |ms| self.step.min(step_of(ms)));
        let finer = ByClock { step, ..self };
        (finer, self.trust * (finer.at() - self.at()))
    }

    /// When it began, on average.
    fn at(self) -> FineAt {
        if self.is_from_zero { self.shown - self.step / 2.0 } else { self.shown }
    }
}

/// In which steps a clock that shows this may count, milliseconds; 0 for fine ones.
fn step_of(machine_ms: u32) -> f64 {
    let step = CLOCK_STEPS_MS.into_iter().find(|step| machine_ms.is_multiple_of(*step));
    step.map_or(0.0, f64::from)
}

/// An athlete's own first stroke.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct OwnStart {
    /// When it began.
    pub(super) at: FineAt,
    /// How far from the truth that may be.
    pub(super) open: f64,
    pub(super) by_clock: ByClock,
}

/// The joined distance at the start of a stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Base {
    pub(super) dm: f64,
    pub(super) known: KnownBy,
    /// Whether the machine stood at zero, where nothing is cut off.
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
    /// It is not known: only what was surely rowed since the start counts.
    No,
}

impl Around<'_> {
    /// Where the machine stood at the start, which lies before `point`, if everything up to `done_dm` belongs to
    /// earlier repeats. Nobody is credited with what was rowed before, and that somebody could have rowed it since
    /// proves nothing.
    pub(super) fn base(self, start: FineAt, done_dm: f64) -> Base {
        let dm = f64::from(self.point.dm);
        let since = self.point.at() - start;
        let Some(before) = self.before else { return self.base_of_first(since) };
        let (gap, stood) = (
            self.point.heard.saturating_sub(before.heard) as f64,
            f64::from(before.dm).max(done_dm),
        );
        let (ago, gained) = (start - before.at(), (dm - stood).max(0.0));
        // In any case, nobody has rowed further since the start than the fastest do.
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
            // Whoever sat ready has rowed all of it since; whoever quietly rowed on has not, and nothing tells which.
            let open_ms = ago.clamp(0.0, gained / FASTEST_DM_PER_MS);
            return Base { open_ms, ..heard(stood) };
        }
        let before_start = (ago * FASTEST_DM_PER_MS).clamp(0.0, gained);
        Base { known: KnownBy::No, ..heard(stood + before_start) }
    }

    /// Whether the counters were joined at a reset just before this point, with no clock of the machine's own
    /// to say when.
    fn is_joined_unclocked(self) -> bool {
        self.point.joined && self.point.machine_ms.is_none() && self.point.machine_dm > 0
    }

    /// For how long the machine has counted since the point before; `None` without a clock of its own.
    fn clock_gained(self, before: &Point) -> Option<f64> {
        let now = self.point.machine_ms?;
        let then = if self.point.joined { 0 } else { before.machine_ms? };
        now.checked_sub(then).map(f64::from)
    }

    /// Nothing was heard before the start: a machine that began since then, by its own clock, reports
    /// everything; one at zero has nothing to report yet.
    fn base_of_first(self, since: f64) -> Base {
        let Point { dm, machine_dm, machine_ms, .. } = *self.point;
        let dm = f64::from(dm);
        if machine_dm == 0 {
            return Base { dm, known: KnownBy::Heard, is_zero: true, open_ms: 0.0 };
        }
        match machine_ms {
            // The clock says when the machine began; that no more was counted than anybody rows since then confirms that it
            // is a clock.
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

    /// Where the machine stood at the athlete's own first stroke: as it was last heard, which may be after
    /// the go.
    pub(super) fn own_base(self, go: FineAt) -> Base {
        match self.before {
            Some(before) if before.at() >= go && !self.is_joined_unclocked() => {
                let is_zero = before.machine_dm == 0;
                Base { dm: f64::from(before.dm), known: KnownBy::Heard, is_zero, open_ms: 0.0 }
            }
            Some(_) | None => self.base(go, 0.0),
        }
    }

    /// The athlete's own first stroke after the go, once this point shows that it was made. It moves no further than the
    /// samples do, so that a sample a little later never makes a different result. `stood` is from the points before.
    pub(super) fn own_start(
        self,
        go: FineAt,
        base: Base,
        stood: Option<Stood>,
    ) -> Option<OwnStart> {
        let heard = self.point.at();
        let before = self.before.map(|before| before.at());
        let moved = f64::from(self.point.dm) - base.dm;
        if moved <= 0.0 {
            return None;
        }
        let earliest = before.map_or(go, |before| before.max(go));
        let latest = (heard - moved / FASTEST_DM_PER_MS).max(earliest);
        let usual = (heard - moved / USUAL_FIRST_DM_PER_MS).clamp(earliest, latest);
        let Some((by_clock, still_at)) = self.by_clock(stood) else {
            let open = (usual - earliest).max(latest - usual);
            return Some(OwnStart { at: usual, open, by_clock: ByClock::default() });
        };
        let trust = by_clock.trust;
        // A stroke begun just before a report shows in none of its whole seconds and metres.
        let sooner = (earliest - still_at.min(by_clock.shown - by_clock.step)).max(0.0);
        let earliest = (earliest - trust * sooner).max(go);
        let at = usual.towards(by_clock.at(), trust).clamp(earliest, latest);
        let slack = if trust < 1.0 { f64::INFINITY } else { CLOCK_SLACK_MS };
        let open = (at - earliest).max(latest - at).min(slack);
        Some(OwnStart { at, open, by_clock })
    }

    /// When the machine began to count, by a clock of its own that stood still until then, and until when it did: to the
    /// extent that it may have run on, it is not believed, and the usual stroke counts.
    fn by_clock(self, stood: Option<Stood>) -> Option<(ByClock, FineAt)> {
        let heard = self.point.at();
        let machine_ms = self.point.machine_ms?;
        let step = step_of(machine_ms);
        let (gained, still, still_at, is_from_zero) = match self.before {
            Some(before) => {
                let stood = stood.filter(|_| !self.point.joined);
                let gained = match stood {
                    Some(stood) => f64::from(machine_ms.checked_sub(stood.machine_ms)?),
                    None => self.clock_gained(before)?,
                };
                let until = stood.map_or(before.at(), |stood| stood.until);
                let lasted = stood.map_or(0.0, Stood::lasted);
                let is_from_zero = stood.is_none_or(|stood| stood.machine_ms == 0);
                (gained, lasted + (heard - until - gained), until, is_from_zero)
            }
            None => (f64::from(machine_ms), f64::INFINITY, FineAt::NEVER, true),
        };
        // A clock of whole seconds seems to stand still for up to a second; reports that come faster than it counts show
        // better.
        let is_slow = self.before.is_some_and(|before| heard - before.at() < step / 2.0);
        let trust = ((still - CLOCK_SLACK_MS) / CLOCK_SLACK_MS).clamp(0.0, 1.0);
        let trust = if is_slow { 0.0 } else { trust };
        Some((ByClock { trust, step, shown: heard - gained, is_from_zero }, still_at))
    }
}
