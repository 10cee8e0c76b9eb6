//! What screens show at one moment: order, places and numbers of one instant, renewed together. Projections come several
//! times a second and waver by tenths; a screen that took each as it came would show the order of one instant beside the
//! numbers of another, and nobody could read it.

use thole_protocol::{
    ids::AthleteId,
    spec::SessionSettings,
    standing::{Doing, Instead, Line, Phase, Standings},
    units::{At, Millis},
};

/// A picture stands for this long, in real time, unless something happens that makes people look up. Our choice: people find
/// their name and read on within a few seconds; at five seconds a class of eighteen changed places 81 times a minute, at
/// eight 55.
pub const STANDS: Millis = Millis(8_000);
/// In the first strokes the plan says more than the strokes do: for this long after their own start, nobody has a
/// standing.
pub const SETTLING: Millis = Millis(20_000);

/// Standings whose lines and teams are of one instant; the calls, and whom everybody is waiting for, are
/// current.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Picture {
    standings: Standings,
    phase: Option<Phase>,
    settings: SessionSettings,
    /// What makes people look up: everybody's, in the order of their ids.
    seen: Vec<Seen>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Seen {
    athlete: AthleteId,
    doing: Doing,
    instead: Option<Instead>,
    not_heard: bool,
}

impl Picture {
    /// As screens show it.
    #[must_use]
    pub fn standings(&self) -> &Standings {
        &self.standings
    }

    /// Takes what is newest: lines and teams when it is time, or when somebody has begun, finished, stopped or is no longer
    /// heard; the rest at once. A session may run `speed` times as fast as real time, but the people who look at it do not.
    pub fn renew(
        &mut self,
        now: &Standings,
        (phase, settings): (Phase, &SessionSettings),
        speed: u32,
    ) {
        // Numbers ranked differently are in another unit.
        if self.settings != *settings || !self.stands(now, phase, speed) {
            self.standings.clone_from(now);
            (self.phase, self.settings) = (Some(phase), *settings);
            self.seen.clear();
            self.seen.extend(now.lines.iter().map(|line| Seen {
                athlete: line.athlete,
                doing: line.doing,
                instead: line.instead,
                not_heard: line.not_heard,
            }));
            self.seen.sort_unstable_by_key(|seen| seen.athlete);
            return;
        }
        self.standings.at_ms = now.at_ms;
        self.standings.calls.clone_from(&now.calls);
        self.standings.waits_for.clone_from(&now.waits_for);
        self.standings.nobody_rows_since_ms = now.nobody_rows_since_ms;
    }

    fn stands(&self, now: &Standings, phase: Phase, speed: u32) -> bool {
        let is_over = matches!(phase, Phase::Finished { .. } | Phase::Stopped { .. });
        let age = now.at_ms.0.checked_sub(self.standings.drawn_at_ms.0);
        let max = u64::from(STANDS.0) * u64::from(speed);
        !is_over
            && self.standings.piece == now.piece
            && self.phase == Some(phase)
            && age.is_some_and(|age| age < max)
            && self.seen.len() == now.lines.len()
            && !now.lines.iter().any(|line| self.is_looked_up_for(line, speed))
    }

    fn is_looked_up_for(&self, line: &Line, speed: u32) -> bool {
        let seen = self.seen.binary_search_by_key(&line.athlete, |seen| seen.athlete);
        let Some(seen) = seen.ok().and_then(|at| self.seen.get(at)) else { return true };
        let is_unheard = |instead| instead == Some(Instead::Unheard);
        // Only in a rehearsal: in real time, a picture that still says so is renewed before that.
        let has_long_settled = speed > 1
            && seen.instead == Some(Instead::Settling)
            && line.instead != seen.instead
            && line.elapsed_ms.0 >= SETTLING.0 + STANDS.0;
        seen.doing != line.doing
            || (line.not_heard && !seen.not_heard)
            || (is_unheard(line.instead) && !is_unheard(seen.instead))
            || has_long_settled
    }
}

/// Whether the clock of a piece in this phase may have stood still, and the last athlete had finished rowing
/// by then.
#[must_use]
pub fn stood_still_since(phase: Phase, ends: impl Iterator<Item = Option<At>>) -> Option<At> {
    if !matches!(phase, Phase::Closing { .. }) {
        return None;
    }
    ends.collect::<Option<Vec<At>>>()?.into_iter().max()
}

#[cfg(test)]
mod tests {
    use thole_protocol::{
        ids::PieceNo,
        spec::{Joining, Ranking},
        standing::StandingCall,
        units::Decimetres,
    };
    use uuid::Uuid;

    use super::*;

    const ROWING: Phase = Phase::Rowing { go_at_ms: At(0), repeat: 0, repeat_at_ms: At(0) };

    const SET: SessionSettings = SessionSettings {
        ranking: Ranking::Share,
        team_best: 0,
        grace_ms: Millis(2_000),
        joining: Joining::Guests,
    };

    fn line(number: u128) -> Line {
        Line {
            athlete: AthleteId(Uuid::from_u128(number)),
            place: None,
            instead: None,
            doing: Doing::Rowing,
            not_heard: false,
            margin: None,
            against_target: None,
            projected: None,
            done_dm: Decimetres(3_000),
            elapsed_ms: Millis(60_000),
            share_permille: 300,
        }
    }

    fn standings(at: u64, lines: Vec<Line>) -> Standings {
        Standings { at_ms: At(at), drawn_at_ms: At(at), lines, ..Standings::default() }
    }

    /// The instant of the picture, after one at 60 s of Ana and Bo and then `next`.
    fn drawn_at(first: Vec<Line>, next: Standings, phase: Phase, speed: u32) -> At {
        let mut picture = Picture::default();
        picture.renew(&standings(60_000, first), (ROWING, &SET), speed);
        picture.renew(&next, (phase, &SET), speed);
        picture.standings().drawn_at_ms
    }

    fn two() -> Vec<Line> {
        vec![line(2), line(1)]
    }

    #[test]
    fn a_picture_stands_for_eight_seconds_of_whoever_looks() {
        for (speed, stands, renewed) in [(1, 67_999, 68_000), (10, 139_999, 140_000)] {
            let mut further = two();
            further.reverse();
            further.iter_mut().for_each(|line| line.done_dm = Decimetres(4_000));
            assert_eq!(
                drawn_at(two(), standings(stands, further.clone()), ROWING, speed),
                At(60_000)
            );
            assert_eq!(drawn_at(two(), standings(renewed, further), ROWING, speed), At(renewed));
        }
    }

    #[test]
    fn what_people_look_up_for_renews_it_at_once() {
        let at = 60_500;
        let changed = |change: &dyn Fn(&mut Line)| {
            let mut lines = two();
            lines.first_mut().into_iter().for_each(change);
            drawn_at(two(), standings(at, lines), ROWING, 1)
        };
        assert_eq!(changed(&|_| {}), At(60_000));
        assert_eq!(changed(&|line| line.place = Some(1)), At(60_000));
        for doing in [Doing::Finished, Doing::Stopped, Doing::Here] {
            assert_eq!(changed(&|line| line.doing = doing), At(at));
        }
        assert_eq!(changed(&|line| line.not_heard = true), At(at));
        assert_eq!(changed(&|line| line.instead = Some(Instead::Unheard)), At(at));
        // Somebody comes or goes, or is somebody else.
        assert_eq!(drawn_at(two(), standings(at, vec![line(1)]), ROWING, 1), At(at));
        assert_eq!(drawn_at(two(), standings(at, vec![line(1), line(3)]), ROWING, 1), At(at));
        let all = vec![line(1), line(2), line(3)];
        assert_eq!(drawn_at(two(), standings(at, all), ROWING, 1), At(at));
        // Another part of the piece, its end, another piece, a clock that was set.
        let rest = Phase::Resting { go_at_ms: At(0), next_repeat: 1, next_at_ms: At(90_000) };
        assert_eq!(drawn_at(two(), standings(at, two()), rest, 1), At(at));
        let other = Standings { piece: PieceNo(1), ..standings(at, two()) };
        assert_eq!(drawn_at(two(), other, ROWING, 1), At(at));
        assert_eq!(drawn_at(two(), standings(59_000, two()), ROWING, 1), At(59_000));
        // Being heard again is told with the next picture: nobody looks up for it.
        let mut lost = two();
        lost.iter_mut().for_each(|line| line.not_heard = true);
        assert_eq!(drawn_at(lost, standings(at, two()), ROWING, 1), At(60_000));
    }

    #[test]
    fn once_it_is_over_every_result_is_shown() {
        let over = Phase::Finished { go_at_ms: At(0) };
        let mut picture = Picture::default();
        for at in [60_000, 60_100] {
            picture.renew(&standings(at, two()), (over, &SET), 1);
            assert_eq!(picture.standings().drawn_at_ms, At(at));
        }
    }

    #[test]
    fn another_ranking_is_another_picture() {
        let mut picture = Picture::default();
        picture.renew(&standings(60_000, two()), (ROWING, &SET), 1);
        let amount = SessionSettings { ranking: Ranking::Amount, ..SET };
        picture.renew(&standings(60_500, two()), (ROWING, &amount), 1);
        assert_eq!(picture.standings().drawn_at_ms, At(60_500));
    }

    #[test]
    fn calls_and_whom_all_wait_for_are_of_now() {
        let mut picture = Picture::default();
        picture.renew(&standings(60_000, two()), (ROWING, &SET), 1);
        let call = thole_protocol::ids::CallId(Uuid::from_u128(9));
        let next = Standings {
            calls: vec![StandingCall { call, athletes: 2, strokes_left: Some(7) }],
            waits_for: vec![line(1).athlete],
            nobody_rows_since_ms: Some(At(59_000)),
            ..standings(61_000, vec![line(1), line(2)])
        };
        picture.renew(&next, (ROWING, &SET), 1);
        let shown = picture.standings();
        assert_eq!((shown.at_ms, shown.drawn_at_ms), (At(61_000), At(60_000)));
        assert_eq!((&shown.calls, &shown.waits_for), (&next.calls, &next.waits_for));
        assert_eq!(shown.nobody_rows_since_ms, next.nobody_rows_since_ms);
        assert_eq!(shown.lines, two());
    }

    #[test]
    fn a_rehearsal_does_not_go_on_settling_for_as_long_as_its_picture_stands() {
        let young = |elapsed| {
            let settling = (elapsed < SETTLING.0).then_some(Instead::Settling);
            let of =
                |number| Line { elapsed_ms: Millis(elapsed), instead: settling, ..line(number) };
            vec![of(1), of(2)]
        };
        let next = |elapsed| standings(50_000 + u64::from(elapsed), young(elapsed));
        assert_eq!(drawn_at(young(10_000), next(27_900), ROWING, 10), At(60_000));
        assert_eq!(drawn_at(young(10_000), next(28_000), ROWING, 10), At(78_000));
        // Only once: the picture after it stands like any other.
        assert_eq!(drawn_at(young(28_000), next(29_000), ROWING, 10), At(60_000));
    }

    #[test]
    fn a_clock_stands_still_once_nobody_rows_and_the_end_is_waited_for() {
        let closing = Phase::Closing { go_at_ms: At(0) };
        let ends = [Some(At(7)), Some(At(9)), Some(At(8))];
        assert_eq!(stood_still_since(closing, ends.into_iter()), Some(At(9)));
        assert_eq!(stood_still_since(closing, [Some(At(7)), None].into_iter()), None);
        assert_eq!(stood_still_since(ROWING, ends.into_iter()), None);
    }
}
