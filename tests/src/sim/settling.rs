//! The records of what became of a piece: made around deaths of the server, and compared with the results.

use std::collections::BTreeMap;

use thole::chance::Chance;
use thole_piece::{
    Input, Output, Session,
    session::Viewer,
    settled::{Settled, SettledSeat},
};
use thole_protocol::{
    ids::{AthleteId, PieceNo},
    standing::{AthleteResult, Mark, Phase},
    units::At,
};

use super::{Tally, post::Post, server::Server};

impl Server {
    /// What is over becomes a record; false when the server is killed around that: before the record is in the
    /// journal, or when it is there and nobody has applied it.
    pub(super) fn settle(
        &mut self,
        now: u64,
        mut chance: Option<&mut Chance>,
        post: &mut Post,
        tally: &mut Tally,
    ) -> bool {
        while let Some(record) = self.host().settles() {
            if let Input::Settled { settled } = &record.input {
                let first = settled.revision == 1;
                tally.add(if first { "piece settled" } else { "piece settled again" });
            }
            let dies = chance.as_deref_mut().map_or(2, |chance| chance.below(8));
            if dies == 0 {
                tally.add("crash before a piece was settled");
                return false;
            }
            self.write(now, std::slice::from_ref(&record));
            if dies == 1 {
                tally.add("crash when a piece was settled");
                return false;
            }
            let at = self.clock.now(now);
            self.host().settled(at, &record, post);
        }
        true
    }

    /// Each piece that was rowed has its records in the journal, numbered without a gap, and the newest matches
    /// the results; replay finds no difference.
    pub(super) fn check_settled(&self, seed: u64) {
        let mut records: BTreeMap<PieceNo, Vec<&Settled>> = BTreeMap::new();
        for (_, input) in &self.disk.records {
            if let Input::Settled { settled } = input {
                records.entry(settled.piece).or_default().push(settled);
            }
        }
        let view = self.core().view(Viewer::Coach);
        for piece in &view.pieces {
            let rowed = matches!(
                piece.phase,
                Phase::Finished { .. } | Phase::Stopped { go_at_ms: Some(_), .. }
            );
            let records = records.remove(&piece.piece).unwrap_or_default();
            assert_eq!(rowed, !records.is_empty(), "seed {seed}: piece {} is over", piece.piece.0);
            let numbers: Vec<u32> = records.iter().map(|record| record.revision).collect();
            let expected: Vec<u32> = (1..).take(records.len()).collect();
            let is_damaged = self.disk.is_damaged;
            let rises = numbers.is_sorted_by(|one, next| one < next);
            assert!(
                numbers == expected || (is_damaged && rises),
                "seed {seed}: a record was kept twice, or not at all: {numbers:?}"
            );
            let Some(newest) = records.last() else { continue };
            assert!(is_damaged || records.first().is_some_and(|first| first.lines.is_some()));
            // What the journal has lost for good is in the record that was made before, and so are the signals that waited
            // for strokes which were lost: then all results are marked.
            let is_marked = |result: &AthleteResult| result.marks.contains(&Mark::Damaged);
            let in_doubt = self.disk.is_damaged && piece.results.iter().all(is_marked);
            if self.is_marked || in_doubt {
                continue;
            }
            assert_eq!(newest.seats.len(), piece.results.len(), "seed {seed}: somebody is missing");
            for result in &piece.results {
                let seat = self.core().seat(result.athlete);
                let settled = newest.seats.iter().find(|settled| Some(settled.seat) == seat);
                let as_told = settled.map(|settled| {
                    let SettledSeat { outcome, place, time_ms, distance_dm, .. } = settled.clone();
                    let (splits, marks) = (settled.splits.clone(), settled.marks.clone());
                    (outcome, place, time_ms, distance_dm, settled.margin, splits, marks)
                });
                let AthleteResult { outcome, place, time_ms, distance_dm, margin, .. } = *result;
                let (splits, marks) = (result.splits.clone(), result.marks.clone());
                let of_core = (outcome, place, time_ms, distance_dm, margin, splits, marks);
                assert_eq!(as_told, Some(of_core), "seed {seed}: another result is settled");
            }
        }
        assert!(records.is_empty(), "seed {seed}: a record of no piece");
        let mut core = Session::new();
        for (at, input) in &self.disk.records {
            for output in core.apply(*at, input) {
                assert!(
                    self.disk.is_damaged || !matches!(output, Output::SettledDiffers { .. }),
                    "seed {seed}: replay gives another record: {output:?}"
                );
            }
        }
    }

    /// Whether somebody said that they stop before a piece was over.
    pub(super) fn has_stopped(&self, piece: usize, athlete: AthleteId) -> bool {
        let over = |(at, input): &(At, Input)| match input {
            Input::Settled { settled } if usize::from(settled.piece.0) == piece => {
                settled.starts_at_ms.first().map(|go| *go..=*at)
            }
            _ => None,
        };
        let records = &self.disk.records;
        let Some(rowed) = records.iter().find_map(over) else { return false };
        let stops = |(at, input): &(At, Input)| {
            rowed.contains(at)
                && matches!(input, Input::StopRowing { athlete: who } if *who == athlete)
        };
        records.iter().any(stops)
    }

    /// Whether something that is over is waiting to be settled.
    pub(super) fn is_settling(&self) -> bool {
        self.core().is_settling()
    }
}
