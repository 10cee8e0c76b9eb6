//! An order that was published, and how it changes only when a difference means something.

use thole_protocol::units::{At, Millis};

/// The order changes at most so often; nobody can follow more.
const REORDER_EVERY: Millis = Millis(3_000);

/// Who have been this many bands apart and are equal as shown later have not come together by noise.
const CLEARLY_APART: f64 = 2.5;

/// Somebody to be ordered: an athlete or a team.
#[derive(Clone, Debug)]
pub(super) struct Contender<Id> {
    /// Who.
    pub(super) id: Id,
    /// What they are ordered by; larger is better.
    pub(super) score: i64,
    /// Half of the difference that means something, in the unit of the score. Two of them are apart when
    /// their difference is more than both halves.
    pub(super) half_band: f64,
    /// The score as it is shown: who are equal as shown share a place.
    pub(super) shown: i64,
    /// The score is final; a final one and one that is not are never the same.
    pub(super) finished: bool,
}

/// Where a contender is listed.
pub(super) struct Listed<Id> {
    /// Who.
    pub(super) id: Id,
    /// Position among the contenders that were given.
    pub(super) at: usize,
    /// Shared by those who are tied.
    pub(super) place: u32,
}

/// Keeps a published order.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Order<Id> {
    held: Vec<Held<Id>>,
    /// Positions in it, in the order of the ids.
    by_id: Vec<(Id, usize)>,
    ordered_at: Option<At>,
}

/// One place in it.
#[derive(Clone, Debug, PartialEq)]
struct Held<Id> {
    id: Id,
    place: u32,
    gap: Gap,
}

impl<Id: Clone> Held<Id> {
    fn listed(&self, at: usize) -> Listed<Id> {
        Listed { id: self.id.clone(), at, place: self.place }
    }
}

/// How somebody stands to the one listed above.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Gap {
    /// They share the place, until a difference means something.
    Tied,
    /// They do not, but they have not been clearly apart since: noise alone does not make them equal.
    Close,
    /// They have been clearly apart; when they are equal as shown, they will share the place.
    Apart,
}

impl<Id> Default for Order<Id> {
    fn default() -> Order<Id> {
        Order { held: Vec::new(), by_id: Vec::new(), ordered_at: None }
    }
}

/// One contender on the way into the new order.
#[derive(Debug)]
struct Recognised<'a, Id> {
    contender: &'a Contender<Id>,
    /// Position among the contenders that were given.
    at: usize,
    /// Position in the published order; `None` for athletes who are new.
    was: Option<usize>,
}

impl<Id: Ord + Clone> Order<Id> {
    /// Everybody with the place, best first; soonest when the contenders stand in the order of their ids.
    pub(super) fn publish(&mut self, at: At, contenders: &[Contender<Id>]) -> Vec<Listed<Id>> {
        let rested = self.ordered_at.is_none_or(|then| at.since(then) >= REORDER_EVERY);
        let moves = rested || contenders.iter().all(|contender| contender.finished);
        let seen = self.recognised(contenders);
        if !moves {
            return self.unchanged(&seen);
        }
        let sorted = self.sorted(&seen);
        let mut placed = self.placed(&sorted);
        list_new_ties_by_id(&mut placed);
        let listed: Vec<Listed<Id>> =
            placed.iter().map(|(seen, held)| held.listed(seen.at)).collect();
        let held: Vec<Held<Id>> = placed.into_iter().map(|(_, held)| held).collect();
        if held != self.held {
            self.ordered_at = Some(at);
            self.hold(held, &listed);
        }
        listed
    }

    /// Takes a new order; `listed` names the contenders in it.
    fn hold(&mut self, held: Vec<Held<Id>>, listed: &[Listed<Id>]) {
        let mut position = vec![0; listed.len()];
        for (now, Listed { at, .. }) in listed.iter().enumerate() {
            if let Some(position) = position.get_mut(*at) {
                *position = now;
            }
        }
        let by_id = position.into_iter().filter_map(|at| Some((held.get(at)?.id.clone(), at)));
        self.by_id = by_id.collect();
        if !self.by_id.is_sorted() {
            self.by_id.sort_unstable();
        }
        self.held = held;
    }

    /// The contenders, each with the position in the published order.
    fn recognised<'a>(&self, contenders: &'a [Contender<Id>]) -> Vec<Recognised<'a, Id>> {
        let mut next = 0;
        let seen = contenders.iter().enumerate().map(|(at, contender)| {
            // Mostly the same people in the same order as before.
            let expected = self.by_id.get(next).filter(|(id, _)| *id == contender.id);
            let found = match expected {
                Some(_) => Some(next),
                None => self.by_id.binary_search_by(|(id, _)| id.cmp(&contender.id)).ok(),
            };
            next = found.map_or(next, |found| found + 1);
            let was = found.and_then(|found| Some(self.by_id.get(found)?.1));
            Recognised { contender, at, was }
        });
        seen.collect()
    }

    /// Those who were published before, at their positions.
    fn known<'a, 'b>(&self, seen: &'b [Recognised<'a, Id>]) -> Vec<Option<&'b Recognised<'a, Id>>> {
        let mut known = vec![None; self.held.len()];
        for seen in seen {
            if let Some(slot) = seen.was.and_then(|was| known.get_mut(was)) {
                *slot = Some(seen);
            }
        }
        known
    }

    /// The order as it was published. Who has left it leaves a place free, and who is new waits: else
    /// everybody behind them would change place now, and perhaps once more in a moment.
    fn unchanged(&self, seen: &[Recognised<'_, Id>]) -> Vec<Listed<Id>> {
        let known = self.known(seen);
        let listed = known.iter().zip(&self.held);
        listed.filter_map(|(seen, held)| Some(held.listed((*seen)?.at))).collect()
    }

    /// Best first, except where the published order stands because no difference means anything.
    ///
    /// Everybody known is given a key within half a band of the score, as close to those below as it
    /// goes; so the key falls along the published order until somebody's lead over one above is more
    /// than both halves. Whoever passes is truly better at that moment. Newcomers stand by their score.
    fn sorted<'a, 'b>(&self, seen: &'b [Recognised<'a, Id>]) -> Vec<&'b Recognised<'a, Id>> {
        let mut new: Vec<&'b Recognised<'a, Id>> =
            seen.iter().filter(|seen| seen.was.is_none()).collect();
        new.sort_unstable_by(|one, other| {
            let (one, other) = (one.contender, other.contender);
            other.score.cmp(&one.score).then_with(|| one.id.cmp(&other.id))
        });
        let mut highest_below = f64::NEG_INFINITY;
        let mut keyed: Vec<(f64, &'b Recognised<'a, Id>)> = Vec::with_capacity(seen.len());
        for seen in self.known(seen).into_iter().flatten().rev() {
            let (score, half) = (seen.contender.score as f64, seen.contender.half_band);
            let key = highest_below.clamp(score - half, score + half);
            highest_below = highest_below.max(key);
            keyed.push((key, seen));
        }
        keyed.reverse();
        keyed.extend(new.into_iter().map(|seen| (seen.contender.score as f64, seen)));
        // A stable sort: equal keys keep the published order.
        keyed.sort_by(|(one, _), (other, _)| other.total_cmp(one));
        keyed.into_iter().map(|(_, seen)| seen).collect()
    }

    /// Places for a new order, ties shared.
    fn placed<'a, 'b>(
        &self,
        sorted: &[&'b Recognised<'a, Id>],
    ) -> Vec<(&'b Recognised<'a, Id>, Held<Id>)> {
        let mut placed = Vec::with_capacity(sorted.len());
        let mut group: Option<Group> = None;
        let mut above: Option<&Recognised<'_, Id>> = None;
        for (place, &seen) in (1..).zip(sorted) {
            let contender = seen.contender;
            let gap = above.map_or(Gap::Apart, |above| self.gap(above, seen));
            let joined = group.filter(|_| gap == Gap::Tied).and_then(|group| group.with(contender));
            // Too far from the others of its group to share their place, and not from the last of them.
            let gap = if gap == Gap::Tied && joined.is_none() { Gap::Close } else { gap };
            let now = joined.unwrap_or(Group::of(place, contender));
            placed.push((seen, Held { id: contender.id.clone(), place: now.place, gap }));
            (group, above) = (Some(now), Some(seen));
        }
        placed
    }

    fn gap(&self, above: &Recognised<'_, Id>, seen: &Recognised<'_, Id>) -> Gap {
        let (one, other) = (above.contender, seen.contender);
        let equal = one.shown == other.shown && one.finished == other.finished;
        let band = one.half_band + other.half_band;
        let lead = (one.score - other.score) as f64;
        let clear = lead > CLEARLY_APART * band;
        let fresh = match (equal, clear) {
            (true, _) => Gap::Tied,
            (false, true) => Gap::Apart,
            (false, false) => Gap::Close,
        };
        if band <= 0.0 {
            return fresh;
        }
        let held = |was: Option<usize>| Some((was?, self.held.get(was?)?));
        let (Some((one_was, one_held)), Some((was, held))) = (held(above.was), held(seen.was))
        else {
            return fresh;
        };
        match (one_held.place == held.place, one_was + 1 == was, held.gap) {
            // Too far apart by now, they do not both fit into the group.
            (true, _, _) => Gap::Tied,
            (false, true, Gap::Apart) if equal => Gap::Tied,
            (false, true, Gap::Close) if !clear => Gap::Close,
            (false, true, _) => Gap::Apart,
            (false, false, _) => fresh,
        }
    }
}

/// Those who share a place: never further apart than what means something.
#[derive(Clone, Copy)]
struct Group {
    place: u32,
    best: (i64, f64),
    worst: (i64, f64),
}

impl Group {
    fn of<Id>(place: u32, contender: &Contender<Id>) -> Group {
        let seen = (contender.score, contender.half_band);
        Group { place, best: seen, worst: seen }
    }

    /// The group with one more; `None` when that one is too far from its best or its worst.
    fn with<Id>(self, contender: &Contender<Id>) -> Option<Group> {
        let seen = (contender.score, contender.half_band);
        let best = if seen.0 > self.best.0 { seen } else { self.best };
        let worst = if seen.0 < self.worst.0 { seen } else { self.worst };
        let near = (best.0 - worst.0) as f64 <= best.1 + worst.1;
        // Equal as shown is equal, also where the band has shrunk to nothing.
        let equal = best.1 + worst.1 <= 0.0;
        (near || equal).then_some(Group { best, worst, ..self })
    }
}

/// Who come in together and tied are listed by id; a published order stands also within a tie.
fn list_new_ties_by_id<Id: Ord>(placed: &mut [(&Recognised<'_, Id>, Held<Id>)]) {
    let mut rest = placed;
    while let Some((place, gap)) = rest.first().map(|(_, first)| (first.place, first.gap)) {
        let length = rest.iter().take_while(|(_, held)| held.place == place).count();
        let (tied, behind) = rest.split_at_mut(length);
        if tied.iter().all(|(seen, _)| seen.was.is_none()) {
            tied.sort_unstable_by(|(_, one), (_, other)| one.id.cmp(&other.id));
        }
        for (at, (_, held)) in tied.iter_mut().enumerate() {
            held.gap = if at == 0 { gap } else { Gap::Tied };
        }
        rest = behind;
    }
}
