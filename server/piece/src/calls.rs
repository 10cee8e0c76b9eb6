//! Focus calls on their way: waiting out their grace period, running for some athletes, over.

use std::collections::BTreeMap;

use thole_protocol::{
    ids::CallId,
    spec::{CallSpec, Span},
    standing::StandingCall,
    units::{At, Millis},
};

/// The calls that stand, by their identity, from the call each athlete has running and how many strokes of it
/// are left; the median of those, for an even number of athletes the higher one.
pub fn standing(own: impl IntoIterator<Item = (CallId, Option<u16>)>) -> Vec<StandingCall> {
    let mut calls: BTreeMap<CallId, (u32, Vec<u16>)> = BTreeMap::new();
    for (call, left) in own {
        let (athletes, lefts) = calls.entry(call).or_default();
        *athletes = athletes.saturating_add(1);
        lefts.extend(left);
    }
    let standing = |(call, (athletes, mut lefts)): (CallId, (u32, Vec<u16>))| {
        lefts.sort_unstable();
        StandingCall { call, athletes, strokes_left: lefts.get(lefts.len() / 2).copied() }
    };
    calls.into_iter().map(standing).collect()
}

/// A call that is waiting out its grace period.
#[derive(Clone, Debug, PartialEq)]
pub struct Armed {
    /// As the coach sent it.
    pub spec: CallSpec,
    /// When it goes out.
    pub sends_at: At,
}

/// What is known of a call that went out.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Out {
    /// For how many athletes it still stands.
    running: usize,
    /// When it ends for all, if it stands for a time.
    ends_at: Option<At>,
    /// For a call of the sheet, which each athlete gets and finishes at a moment of their own: what screens
    /// know.
    sheet: Option<SheetTold>,
}

/// What screens know of a call of the sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum SheetTold {
    /// Nothing, or that it is over.
    Over,
    /// That it stands for somebody.
    Running,
}

/// What a call is doing.
#[derive(Clone, Debug, PartialEq)]
pub enum CallWas {
    /// It was waiting out its grace period, and has just been taken back.
    Armed,
    /// It has gone out and stands for somebody.
    Running,
    /// It is over.
    Over,
    /// Nobody has sent such a call.
    No,
}

/// All focus calls that a session's coach has sent.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calls {
    armed: Vec<Armed>,
    out: BTreeMap<CallId, Out>,
}

impl Calls {
    /// Whether a call with this identity was sent before.
    #[must_use]
    pub fn knows(&self, call: CallId) -> bool {
        self.out.contains_key(&call) || self.armed.iter().any(|armed| armed.spec.call == call)
    }

    /// Arms a call; it goes out when its grace period is over.
    pub fn arm(&mut self, now: At, grace: Millis, spec: CallSpec) -> At {
        let sends_at = now + grace;
        self.armed.push(Armed { spec, sends_at });
        sends_at
    }

    /// The next call whose grace period is over, taken off the waiting list.
    pub fn due(&mut self, now: At) -> Option<CallSpec> {
        let first = self.armed.iter().position(|armed| armed.sends_at <= now)?;
        Some(self.armed.remove(first).spec)
    }

    /// A call has gone out to this many athletes.
    pub fn sent(&mut self, now: At, call: CallId, span: Span, athletes: usize) {
        let ends_at = match span {
            Span::Time { time_ms } => Some(now + time_ms),
            Span::Strokes { .. } | Span::Next => None,
        };
        self.out.insert(call, Out { running: athletes, ends_at, sheet: None });
    }

    /// One more athlete has got a call of the sheet.
    pub fn sheet_runs_for_one(&mut self, call: CallId) {
        self.of_sheet(call).running += 1;
    }

    /// Screens are told that a call of the sheet went out.
    pub fn sheet_told(&mut self, call: CallId) {
        self.of_sheet(call).sheet = Some(SheetTold::Running);
    }

    fn of_sheet(&mut self, call: CallId) -> &mut Out {
        let new = Out { running: 0, ends_at: None, sheet: Some(SheetTold::Over) };
        self.out.entry(call).or_insert(new)
    }

    /// Calls of the sheet that no longer stand for anybody and that screens do not know to be over; from now
    /// on they do.
    pub fn sheet_over(&mut self) -> Vec<CallId> {
        let over = |out: &Out| out.running == 0 && out.sheet == Some(SheetTold::Running);
        let over = self.out.iter_mut().filter(|(_, out)| over(out));
        over.map(|(call, out)| {
            out.sheet = Some(SheetTold::Over);
            *call
        })
        .collect()
    }

    /// Nobody rows to any call any more: these were running.
    pub fn end_all(&mut self) -> Vec<CallId> {
        let running = self.out.iter_mut().filter(|(_, out)| out.running > 0);
        running
            .map(|(call, out)| {
                out.running = 0;
                out.sheet = out.sheet.map(|_| SheetTold::Over);
                *call
            })
            .collect()
    }

    /// A call is over for one athlete; true when that was the last one and screens are to be told now.
    pub fn over_for_one(&mut self, call: CallId) -> bool {
        let Some(out) = self.out.get_mut(&call) else { return false };
        let last = out.running == 1;
        out.running = out.running.saturating_sub(1);
        last && out.sheet.is_none()
    }

    /// The next call whose time is over; it no longer stands for anybody.
    pub fn timed_out(&mut self, now: At) -> Option<CallId> {
        let is_over = |out: &Out| out.running > 0 && out.ends_at.is_some_and(|at| at <= now);
        let (call, out) = self.out.iter_mut().find(|(_, out)| is_over(out))?;
        out.running = 0;
        Some(*call)
    }

    /// Takes a call back: before it went out, or for all for whom it stands.
    pub fn take_back(&mut self, call: CallId) -> CallWas {
        if let Some(at) = self.armed.iter().position(|armed| armed.spec.call == call) {
            self.armed.remove(at);
            // Remembered, so that the same call sent again after a lost connection stays taken back.
            self.out.insert(call, Out { running: 0, ends_at: None, sheet: None });
            return CallWas::Armed;
        }
        match self.out.get_mut(&call) {
            Some(out) if out.running > 0 => {
                out.running = 0;
                out.sheet = out.sheet.map(|_| SheetTold::Over);
                CallWas::Running
            }
            Some(_) => CallWas::Over,
            None => CallWas::No,
        }
    }

    /// Calls that are still waiting when a piece ends do not go out; these are they.
    pub fn disarm(&mut self) -> Vec<CallId> {
        let waiting: Vec<CallId> = self.armed.drain(..).map(|armed| armed.spec.call).collect();
        for call in &waiting {
            self.out.insert(*call, Out { running: 0, ends_at: None, sheet: None });
        }
        waiting
    }

    /// When the next grace period or call time is over.
    #[must_use]
    pub fn deadline(&self) -> Option<At> {
        let graces = self.armed.iter().map(|armed| armed.sends_at);
        let times = self.out.values().filter(|out| out.running > 0).filter_map(|out| out.ends_at);
        graces.chain(times).min()
    }
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;

    #[test]
    fn a_call_stands_for_so_many_with_the_median_of_their_strokes() {
        let call = |n| CallId(Uuid::from_u128(n));
        let own = [(call(7), Some(9)), (call(2), None), (call(7), Some(4)), (call(7), Some(5))];
        let said: Vec<_> =
            standing(own).iter().map(|c| (c.call, c.athletes, c.strokes_left)).collect();
        assert_eq!(said, [(call(2), 1, None), (call(7), 3, Some(5))]);
        assert!(standing([]).is_empty());
    }
}
