//! When a session has something to do of its own accord.

use thole_protocol::units::At;

/// What there is to do when its time has come; pieces and calls know their own times apart from these.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum When {
    /// Standings, details and notices are looked at.
    Publish,
    /// Changes of the roster are told together.
    TellRoster,
    /// Results are looked at that wait for what was rowed while nothing was heard.
    HearOut,
    /// A piece that is over is settled.
    Settle,
}

/// When each of them is due; `None` while it is not.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Timers {
    publish: Option<At>,
    tell_roster: Option<At>,
    hear_out: Option<At>,
    settle: Option<At>,
}

impl Timers {
    fn slot(&mut self, when: When) -> &mut Option<At> {
        match when {
            When::Publish => &mut self.publish,
            When::TellRoster => &mut self.tell_roster,
            When::HearOut => &mut self.hear_out,
            When::Settle => &mut self.settle,
        }
    }

    /// Due then, or never; replaces whatever was set before.
    pub(super) fn set(&mut self, when: When, at: Option<At>) {
        *self.slot(when) = at;
    }

    /// Due then at the latest.
    pub(super) fn set_by(&mut self, when: When, at: At) {
        let slot = self.slot(when);
        *slot = Some(slot.map_or(at, |before| before.min(at)));
    }

    /// Due then, unless it is already due at some time.
    pub(super) fn set_if_none(&mut self, when: When, at: At) {
        self.slot(when).get_or_insert(at);
    }

    /// Whether its time has come; if so it is no longer due.
    pub(super) fn take_due(&mut self, when: When, now: At) -> bool {
        self.slot(when).take_if(|at| *at <= now).is_some()
    }

    /// Whether it is due at all.
    pub(super) fn is_set(&self, when: When) -> bool {
        let Timers { publish, tell_roster, hear_out, settle } = self;
        match when {
            When::Publish => publish,
            When::TellRoster => tell_roster,
            When::HearOut => hear_out,
            When::Settle => settle,
        }
        .is_some()
    }

    /// When the first of them is due.
    pub(super) fn next(&self) -> Option<At> {
        let Timers { publish, tell_roster, hear_out, settle } = self;
        [publish, tell_roster, hear_out, settle].into_iter().copied().flatten().min()
    }
}
