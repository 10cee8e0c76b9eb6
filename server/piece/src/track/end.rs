//! Where a repeat ends: between the two samples around it, and how far from the truth that may be.

use thole_protocol::spec::Extent;

use super::{STRETCH_MS, start::ByClock};
use crate::{fine_at::FineAt, limits, rower::STOPPED_AFTER_MS};

/// The fastest that is believed, decimetres per millisecond.
pub(super) const FASTEST_DM_PER_MS: f64 = limits::SPEED_MAX / 1e2;

/// A stroke this much faster or slower than those before it is out of the ordinary (our choice).
const UNUSUAL_SHARE: f64 = 0.25;

/// How far from the truth one end, or several together, may be.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Open {
    pub(super) ms: f64,
    pub(super) dm: f64,
}

impl Open {
    pub(super) fn and(self, other: Open) -> Open {
        Open { ms: self.ms + other.ms, dm: self.dm + other.dm }
    }
}

/// The repeat that is being rowed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stretch {
    pub(super) start: FineAt,
    /// How far from the truth the start may be, milliseconds: 0 where a signal is the start.
    pub(super) start_open: f64,
    pub(super) base: f64,
    /// Whether the machine stood at zero there, where nothing is cut off.
    pub(super) from_zero: bool,
    /// What part of the start comes from the machine's clock.
    pub(super) by_clock: ByClock,
    /// The newest position in it.
    pub(super) heard: FineAt,
    pub(super) dm: f64,
    /// The last step: how long it took, and its speed in decimetres per millisecond.
    pub(super) took: f64,
    pub(super) speed: f64,
}

/// Where a repeat ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct End {
    /// When.
    pub(super) at: FineAt,
    /// Where, joined decimetres.
    pub(super) dm: f64,
    /// What was rowed beyond that, and cut off by a machine of whole metres.
    pub(super) cut_off: f64,
    pub(super) open: Open,
    /// If it was told to the metre: when the end was if the machine goes on counting, and how far from the truth that may
    /// be.
    pub(super) unless_set: Option<(FineAt, Open)>,
    /// Whether it was rowed to: not by somebody who stood still in the gap that the end lies in.
    pub(super) rowed_to: bool,
}

impl Stretch {
    /// The same, once the machine's clock has told this: where it turns out to be finer than it seemed, less of the start
    /// was cut off.
    pub(super) fn with_clock(self, machine_ms: Option<u32>) -> Stretch {
        let (by_clock, later) = self.by_clock.finer(machine_ms);
        Stretch { start: self.start + later, by_clock, ..self }
    }

    /// The end of the repeat, if it lies before this point. A machine that cuts its metres off has on average come `cut_off`
    /// further than it says.
    pub(super) fn end(&self, work: Extent, heard: FineAt, dm: f64, cut_off: f64) -> Option<End> {
        let (took, gained) = (heard - self.heard, dm - self.dm);
        match work {
            Extent::Distance { distance_dm } => {
                let end = self.base + f64::from(distance_dm.0);
                (dm >= end).then(|| {
                    let crossed = |cut_off: f64| {
                        let to = (end - cut_off - self.dm).max(0.0);
                        let share = if gained > 0.0 { to / gained } else { 0.0 };
                        let at = share * took;
                        // Nobody got there sooner, nor from there to the next sample, than the fastest would; and the
                        // machine may have cut off all but a metre.
                        let least = (end - 2.0 * cut_off - self.dm).max(0.0);
                        let soonest = (least / FASTEST_DM_PER_MS).min(at);
                        let latest = (took - (dm - end) / FASTEST_DM_PER_MS).max(at);
                        let ms = (took / 2.0).max(at - soonest).max(latest - at) + self.start_open;
                        (self.heard + at, Open { ms, dm: gained / 2.0 })
                    };
                    // A machine that is set to this distance stops at it, and tells that moment exactly. One that is not set
                    // may show the same metre, too: one in four of those that report once a second, nearly all that report
                    // four times.
                    let may_be_set = dm <= end && cut_off > 0.0;
                    let (at, open) = crossed(if may_be_set { 0.0 } else { cut_off });
                    let unless_set = may_be_set.then(|| crossed(cut_off));
                    End { at, dm: end, cut_off: 0.0, open, unless_set, rowed_to: true }
                })
            }
            Extent::Time { time_ms } => {
                let end = self.start + f64::from(time_ms.0);
                (heard >= end).then(|| {
                    let to = self.at_time(end, heard, dm);
                    let most = (FASTEST_DM_PER_MS * (end - self.heard)).clamp(to, gained.max(to));
                    let least = (gained - FASTEST_DM_PER_MS * (heard - end)).clamp(0.0, to);
                    let rowed_to = self.rowed_through(took, gained);
                    // Somebody who stopped before the end is given no part of a metre for it, and a report from that very
                    // moment is the machine's own count; either may have come all but a metre further.
                    let is_cut_off = rowed_to && gained > 0.0 && heard > end;
                    let (cut_off, part) =
                        if is_cut_off { (cut_off, cut_off) } else { (0.0, 2.0 * cut_off) };
                    let open_dm =
                        (gained / 2.0).max(most - to).max(to - least) + part + self.start_open_dm();
                    let open = Open { ms: took / 2.0, dm: open_dm };
                    let dm = self.dm + to;
                    End { at: end, dm, cut_off, open, unless_set: None, rowed_to }
                })
            }
        }
    }

    /// How far it was rowed by `end`, from the newest position on, if the machine was at `dm` at `heard`.
    fn at_time(&self, end: FineAt, heard: FineAt, dm: f64) -> f64 {
        let (took, gained, until) = (heard - self.heard, dm - self.dm, end - self.heard);
        let share = if took > 0.0 { (until / took).clamp(0.0, 1.0) } else { 0.0 };
        if took <= STRETCH_MS {
            return share * gained;
        }
        // Somebody who rows to the end and rests is heard again much later: of what came since, as much was
        // rowed before the end as the earlier pace gives, rather than a share that the rest has thinned out.
        (share * gained).max(gained.min(self.speed * until))
    }

    /// What was rowed between the newest position and `end`, of which nothing was heard: somebody who was rowing as usual
    /// has rowed on through a stroke that is not reported until it is done. Nobody knows whether a gap of more than one
    /// stroke was rowed through, so it does not count.
    pub(super) fn carried(&self, end: FineAt) -> f64 {
        let (unheard, rowed_ms) = (end - self.heard, self.heard - self.start);
        let mean = if rowed_ms > 0.0 { (self.dm - self.base) / rowed_ms } else { 0.0 };
        let usual = (1.0 - UNUSUAL_SHARE) * mean..=(1.0 + UNUSUAL_SHARE) * mean;
        let is_one_stroke = unheard <= self.took.min(STRETCH_MS);
        if is_one_stroke && mean > 0.0 && usual.contains(&self.speed) {
            self.speed * unheard.max(0.0)
        } else {
            0.0
        }
    }

    /// Whether a gap in which this much was gained was rowed through: somebody heard again at less than half
    /// the earlier speed stood still in it.
    fn rowed_through(&self, took: f64, gained: f64) -> bool {
        let rowed_ms = self.heard - self.start;
        let speed = if rowed_ms > 0.0 { (self.dm - self.base) / rowed_ms } else { 0.0 };
        took <= STOPPED_AFTER_MS || gained / took >= speed / 2.0
    }

    /// What the start leaves open, in decimetres: nobody rows further in that time.
    pub(super) fn start_open_dm(&self) -> f64 {
        self.start_open * FASTEST_DM_PER_MS
    }
}
