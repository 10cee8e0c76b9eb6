//! Every sample of an athlete, kept until the result is final: what to send, and what to send again.
//!
//! Pure: the caller says what time it is. The server's word on what is durable only moves a pointer, so a
//! server that lost its disk can be refilled from here.

use std::collections::VecDeque;

use thole_protocol::{
    client_msg::{Samples, Skip},
    ids::RunId,
    limits,
    sample::{Durable, Sample},
    units::At,
};

/// Most samples in one message.
pub const BATCH_MAX: usize = limits::SAMPLES_MAX;
/// Samples on their way that are not acknowledged yet; more wait here, so that a back-fill goes no faster
/// than it becomes durable.
const UNDERWAY_MAX: u32 = limits::UNDERWAY_MAX;
/// Without progress for this long, what is not acknowledged is sent again.
pub const RESEND_AFTER_MS: u64 = 1_500;

/// How a connection resumed an athlete's recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Resumed {
    /// Continues after what the server has; this many samples are still to be sent.
    GoesOn {
        /// Samples to send.
        behind: u32,
    },
    /// The server no longer has samples that it had acknowledged: everything is sent again.
    ServerLost {
        /// How many it has lost at least.
        lost: u32,
    },
    /// The server began a new journal: everything is sent again.
    NewJournal {
        /// Samples to send.
        behind: u32,
    },
}

/// What to say to the server next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Next {
    /// These samples.
    Samples(Samples),
    /// These are gone for good.
    Skip(Skip),
}

/// All samples of one recording that the result may still need.
#[derive(Clone, Debug)]
pub struct Kept {
    run: RunId,
    /// In order of `seq`; the first has number `forgotten + 1`.
    samples: VecDeque<Sample>,
    /// Everything up to this number was final and has been dropped.
    forgotten: u32,
    /// The server has said that everything up to this number is durable.
    acked: u32,
    /// What is durable beyond it.
    beyond: Vec<(u32, u32)>,
    /// Everything up to this number was sent on this connection.
    sent: u32,
    /// When something was last acknowledged, or sent while nothing was under way.
    moved_ms: u64,
    epoch: Option<String>,
}

impl Kept {
    /// Nothing recorded yet.
    #[must_use]
    pub fn new(run: RunId) -> Kept {
        Kept {
            run,
            samples: VecDeque::new(),
            forgotten: 0,
            acked: 0,
            beyond: Vec::new(),
            sent: 0,
            moved_ms: 0,
            epoch: None,
        }
    }

    /// The recording's identity.
    #[must_use]
    pub fn run(&self) -> RunId {
        self.run
    }

    /// Everything kept here, durable or not.
    pub fn samples(&self) -> impl Iterator<Item = &Sample> {
        self.samples.iter()
    }

    /// Number of the last sample.
    #[must_use]
    pub fn last_seq(&self) -> u32 {
        self.forgotten + u32::try_from(self.samples.len()).unwrap_or(u32::MAX)
    }

    /// How many samples are not known to be durable.
    #[must_use]
    pub fn pending(&self) -> u32 {
        self.last_seq().saturating_sub(self.acked)
    }

    /// Records a sample; it gets the next number.
    pub fn record(&mut self, sample: Sample) -> u32 {
        let seq = self.last_seq() + 1;
        self.samples.push_back(Sample { seq, ..sample });
        seq
    }

    /// The server answered `hello`: resumes the recording from where the server has it.
    pub fn welcomed(&mut self, epoch: &str, durable: Option<&Durable>) -> Resumed {
        let through = durable.filter(|d| d.run == self.run).map_or(0, |d| d.through_seq);
        let new_journal = self.epoch.as_deref().is_some_and(|known| known != epoch);
        self.epoch = Some(epoch.to_owned());
        self.beyond = durable.filter(|d| d.run == self.run).map_or(vec![], |d| d.beyond.clone());
        let lost = self.acked.saturating_sub(through);
        if new_journal || lost > 0 {
            // Whatever it still has is acknowledged at once; there is no need to guess what is missing.
            (self.acked, self.sent) = (0, 0);
            self.beyond.clear();
            return if new_journal {
                Resumed::NewJournal { behind: self.last_seq() }
            } else {
                Resumed::ServerLost { lost }
            };
        }
        // The server may know more than this device has kept: the next stroke, under a number that the server
        // already has, would be taken for one it knows.
        if through > self.last_seq() {
            self.samples.clear();
            self.forgotten = through;
        }
        (self.acked, self.sent) = (through, through);
        Resumed::GoesOn { behind: self.pending() }
    }

    /// The server said how far the recording is durable; older word of it changes nothing.
    pub fn acknowledged(&mut self, durable: &Durable, now_ms: u64) {
        if durable.run != self.run {
            return;
        }
        let through = durable.through_seq.min(self.last_seq());
        if through > self.acked || durable.beyond != self.beyond {
            self.moved_ms = now_ms;
        }
        if through >= self.acked {
            self.acked = through;
            self.beyond = durable.beyond.clone();
            self.sent = self.sent.max(through);
        }
    }

    /// What to send now, oldest first: samples whose instant has certainly come on the server (`past`); new
    /// ones at once, unacknowledged ones again after 1.5 s without progress.
    pub fn next(&mut self, past: At, now_ms: u64) -> Option<Next> {
        if self.sent > self.acked && now_ms.saturating_sub(self.moved_ms) >= RESEND_AFTER_MS {
            self.sent = self.acked;
        }
        if self.sent < self.forgotten {
            let skip = Skip {
                run: self.run,
                from_seq: self.sent + 1,
                to_seq: self.forgotten,
                command: None,
            };
            self.sending(self.forgotten, now_ms);
            return Some(Next::Skip(skip));
        }
        let room = (self.acked + UNDERWAY_MAX).saturating_sub(self.sent);
        let most = BATCH_MAX.min(usize::try_from(room).unwrap_or(BATCH_MAX));
        let from = usize::try_from(self.sent - self.forgotten).unwrap_or(usize::MAX);
        let due = |s: &&Sample| u64::try_from(s.heard_ms).is_ok_and(|heard| heard <= past.0);
        let mut through = self.sent;
        let mut samples = Vec::new();
        for sample in self.samples.iter().skip(from).take_while(due) {
            if samples.len() == most {
                break;
            }
            through = sample.seq;
            if !self.beyond.iter().any(|(a, b)| (*a..=*b).contains(&sample.seq)) {
                samples.push(*sample);
            }
        }
        if through > self.sent {
            self.sending(through, now_ms);
        }
        (!samples.is_empty()).then_some(Next::Samples(Samples { run: self.run, samples }))
    }

    /// What `next` last returned did not leave: it, and everything else unacknowledged, is sent again.
    pub fn unsent(&mut self) {
        self.sent = self.acked;
    }

    fn sending(&mut self, through: u32, now_ms: u64) {
        if self.sent <= self.acked {
            self.moved_ms = now_ms;
        }
        self.sent = through;
    }

    /// When `next` has something to send again although nothing new is recorded; on the clock of `now_ms`.
    #[must_use]
    pub fn resend_at_ms(&self) -> Option<u64> {
        (self.sent > self.acked).then_some(self.moved_ms + RESEND_AFTER_MS)
    }

    /// The instant of the oldest sample that has not been sent yet.
    #[must_use]
    pub fn next_unsent(&self) -> Option<At> {
        let from = usize::try_from(self.sent.saturating_sub(self.forgotten)).ok()?;
        let sample = self.samples.get(from)?;
        Some(At(u64::try_from(sample.heard_ms).unwrap_or(0)))
    }

    /// The results up to this instant are final: what is durable of that is no longer kept.
    pub fn forget(&mut self, through: At) {
        while let Some(first) = self.samples.front() {
            let old = u64::try_from(first.heard_ms).map_or(true, |heard| heard <= through.0);
            if !old || first.seq > self.acked {
                break;
            }
            self.forgotten = first.seq;
            self.samples.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;

    const RUN: RunId = RunId(Uuid::from_u128(7));
    const LATER: At = At(10_000_000);

    fn kept(samples: u32) -> Kept {
        let mut kept = Kept::new(RUN);
        for nth in 1..=samples {
            kept.record(Sample { heard_ms: i64::from(nth) * 2_000, ..Sample::default() });
        }
        kept
    }

    fn durable(through_seq: u32, beyond: &[(u32, u32)]) -> Durable {
        Durable { run: RUN, through_seq, beyond: beyond.to_vec() }
    }

    fn seqs(next: Option<Next>) -> Vec<u32> {
        match next {
            Some(Next::Samples(samples)) => samples.samples.iter().map(|s| s.seq).collect(),
            Some(Next::Skip(skip)) => panic!("skips {skip:?}"),
            None => vec![],
        }
    }

    #[test]
    fn oldest_first_a_hundred_at_a_time_and_each_once() {
        let mut kept = kept(230);
        assert_eq!(kept.welcomed("a", None), Resumed::GoesOn { behind: 230 });
        assert_eq!(seqs(kept.next(LATER, 0)), (1..=100).collect::<Vec<_>>());
        assert_eq!(seqs(kept.next(LATER, 0)), (101..=200).collect::<Vec<_>>());
        assert_eq!(seqs(kept.next(LATER, 0)), (201..=230).collect::<Vec<_>>());
        assert_eq!(kept.next(LATER, 0), None);
    }

    #[test]
    fn a_sample_waits_until_its_instant_has_come_on_the_server() {
        let mut kept = kept(3);
        kept.welcomed("a", None);
        assert!(seqs(kept.next(At(1_999), 0)).is_empty());
        assert_eq!(kept.next_unsent(), Some(At(2_000)));
        assert_eq!(seqs(kept.next(At(4_000), 0)), [1, 2]);
        assert!(seqs(kept.next(At(5_999), 0)).is_empty());
        assert_eq!(seqs(kept.next(At(6_000), 0)), [3]);
    }

    #[test]
    fn unacknowledged_samples_go_again_after_a_second_and_a_half_without_progress() {
        let mut kept = kept(5);
        kept.welcomed("a", None);
        assert_eq!(seqs(kept.next(LATER, 100)), [1, 2, 3, 4, 5]);
        assert_eq!(kept.resend_at_ms(), Some(1_600));
        kept.acknowledged(&durable(2, &[(4, 4)]), 1_000);
        assert!(seqs(kept.next(LATER, 2_499)).is_empty());
        assert_eq!(seqs(kept.next(LATER, 2_500)), [3, 5]);
        kept.acknowledged(&durable(5, &[]), 2_600);
        assert_eq!((kept.pending(), kept.resend_at_ms()), (0, None));
        assert_eq!(kept.next(LATER, 99_000), None);
    }

    #[test]
    fn after_a_lost_connection_it_goes_on_behind_what_is_durable() {
        let mut kept = kept(9);
        kept.welcomed("a", None);
        kept.next(LATER, 0);
        kept.acknowledged(&durable(4, &[]), 10);
        assert_eq!(kept.welcomed("a", Some(&durable(6, &[]))), Resumed::GoesOn { behind: 3 });
        assert_eq!(seqs(kept.next(LATER, 20)), [7, 8, 9]);
    }

    #[test]
    fn a_server_that_lost_what_it_had_acknowledged_gets_everything_again() {
        let mut kept = kept(9);
        kept.welcomed("a", None);
        kept.next(LATER, 0);
        kept.acknowledged(&durable(9, &[]), 10);
        assert_eq!(kept.welcomed("a", Some(&durable(5, &[]))), Resumed::ServerLost { lost: 4 });
        assert_eq!(seqs(kept.next(LATER, 20)), (1..=9).collect::<Vec<_>>());
    }

    #[test]
    fn a_device_that_kept_less_than_the_server_has_goes_on_behind_it() {
        let mut kept = kept(2);
        assert_eq!(kept.welcomed("a", Some(&durable(7, &[]))), Resumed::GoesOn { behind: 0 });
        assert_eq!(kept.record(Sample { heard_ms: 20_000, ..Sample::default() }), 8);
        assert_eq!(seqs(kept.next(LATER, 0)), [8]);
    }

    #[test]
    fn a_new_journal_gets_everything_from_the_first_sample() {
        let mut kept = kept(3);
        kept.welcomed("a", None);
        kept.next(LATER, 0);
        kept.acknowledged(&durable(3, &[]), 10);
        // The same number by chance: it is a different journal all the same.
        let resumed = kept.welcomed("b", Some(&durable(3, &[])));
        assert_eq!(resumed, Resumed::NewJournal { behind: 3 });
        assert_eq!(seqs(kept.next(LATER, 20)), [1, 2, 3]);
    }

    #[test]
    fn samples_of_a_final_result_are_dropped_and_named_when_they_are_missed_later() {
        let mut kept = kept(6);
        kept.welcomed("a", None);
        kept.next(LATER, 0);
        kept.acknowledged(&durable(3, &[]), 10);
        kept.forget(At(8_000));
        assert_eq!(kept.welcomed("b", None), Resumed::NewJournal { behind: 6 });
        let skip = Skip { run: RUN, from_seq: 1, to_seq: 3, command: None };
        assert_eq!(kept.next(LATER, 20), Some(Next::Skip(skip)));
        assert_eq!(seqs(kept.next(LATER, 20)), [4, 5, 6], "never what is not yet durable");
    }

    #[test]
    fn another_recordings_word_is_not_for_us() {
        let mut kept = kept(2);
        let other = Durable { run: RunId(Uuid::from_u128(8)), through_seq: 2, beyond: vec![] };
        assert_eq!(kept.welcomed("a", Some(&other)), Resumed::GoesOn { behind: 2 });
        kept.next(LATER, 0);
        kept.acknowledged(&other, 10);
        assert_eq!(kept.pending(), 2);
    }

    #[test]
    fn a_back_fill_is_no_faster_than_it_becomes_durable() {
        let mut kept = kept(2_500);
        kept.welcomed("a", None);
        let mut sent = 0;
        while let Some(Next::Samples(batch)) = kept.next(LATER, 0) {
            sent += batch.samples.len();
        }
        assert_eq!(sent, 1_000);
        kept.acknowledged(&durable(300, &[]), 5);
        assert_eq!(seqs(kept.next(LATER, 5)).len(), 100);
    }
}
