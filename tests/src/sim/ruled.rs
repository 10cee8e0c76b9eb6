//! What the coach of a life rules about pieces that are over, and that nothing moves by itself that is official.

use std::collections::BTreeMap;

use super::{
    Tally, coach,
    life::{Person, When},
};
use thole::chance::Chance;
use thole_piece::{Session, session::Viewer};
use thole_protocol::{
    ids::{AthleteId, CommandId, PieceNo},
    order::Order,
    spec::{Extent, PieceSpec, Target},
    standing::{Outcome, PieceView, TeamLine},
    total::Total,
    units::{Decimetres, Millis},
};

/// Orders about results of each piece, behind those by which it ends; all are reopened in the end, since what came by then
/// depends on the faults. Chance of its own leaves the rest of a life alone.
pub(super) fn rule(
    seed: u64,
    pieces: &[PieceSpec],
    athletes: &[Person],
    orders: &mut Vec<(When, Order)>,
) {
    let mut chance = Chance::seeded(seed ^ 0x0ff1);
    let seated: Vec<AthleteId> =
        athletes.iter().filter(|one| one.joins_after_go.is_none()).map(|one| one.athlete).collect();
    let mut undone = Vec::new();
    for (no, spec) in pieces.iter().enumerate() {
        if chance.below(2) == 0 {
            continue;
        }
        let piece = PieceNo(u16::try_from(no).unwrap_or(0));
        let mut rulings = Vec::new();
        for nth in 0..chance.below(4) {
            let reason = format!("ruling {no} {nth}");
            let which = usize::try_from(chance.below(seated.len() as u64)).unwrap_or(0);
            let Some(&athlete) = seated.get(which) else { continue };
            let ruling = ruling(&mut chance, spec, piece, athlete, &reason);
            if chance.below(3) == 0 {
                undone.push(ruling.clone());
            }
            rulings.push(ruling);
        }
        rulings.push(Order::MakeOfficial { piece });
        if chance.below(3) == 0 {
            let reason = "too late".to_owned();
            rulings.extend(seated.first().map(|&athlete| Order::Unrank { piece, athlete, reason }));
        }
        let ends = |(_, order): &(When, Order)| matches!(order, Order::Stop);
        let mut stops = orders.iter().enumerate().filter(|(_, order)| ends(order));
        let at = stops.nth(no).map_or(orders.len(), |(at, _)| at + 1);
        let rulings = rulings.into_iter().map(|order| (When::After(700), order));
        orders.splice(at..at, rulings);
        let reason = "so that all lives end alike".to_owned();
        orders.push((When::After(700), Order::Reopen { piece, reason }));
    }
    let undo = |order: &Order| {
        let at = orders.iter().position(|(_, other)| other == order)?;
        Some((When::After(700), Order::Undo { ruling: coach::command(at) }))
    };
    let undone: Vec<_> = undone.iter().filter_map(undo).collect();
    orders.extend(undone);
}

fn ruling(
    chance: &mut Chance,
    spec: &PieceSpec,
    piece: PieceNo,
    athlete: AthleteId,
    reason: &str,
) -> Order {
    let reason = reason.to_owned();
    let works = spec.repeats.iter().map(|repeat| repeat.work);
    let ms = |dm: u32| Millis(dm * 24);
    let finish = works.fold(None, |sum, work| match (sum, work) {
        (Some(Total::Time { finish_ms }), Extent::Distance { distance_dm }) => {
            Some(Total::Time { finish_ms: finish_ms + ms(distance_dm.0) })
        }
        (_, Extent::Distance { distance_dm }) => Some(Total::Time { finish_ms: ms(distance_dm.0) }),
        (Some(Total::Distance { distance_dm }), Extent::Time { time_ms }) => {
            Some(Total::Distance { distance_dm: distance_dm + Decimetres(time_ms.0 / 24) })
        }
        (_, Extent::Time { time_ms }) => {
            Some(Total::Distance { distance_dm: Decimetres(time_ms.0 / 24) })
        }
    });
    match (chance.below(4), finish) {
        (0, Some(finish)) => Order::CorrectResult { piece, athlete, finish, reason },
        (1, _) => {
            let target = Some(Target::Pace { per_500m_ms: Millis(118_000) });
            Order::CorrectTarget { piece, athlete, target, reason }
        }
        (2, _) => Order::Exclude { piece, athlete, reason },
        _ => Order::Unrank { piece, athlete, reason },
    }
}

/// What must not move.
type Stood = (Vec<(AthleteId, Option<u32>, Outcome, Millis, Option<Total>)>, Vec<TeamLine>);

/// The official results of a life as they were seen last, by the order that made them so.
#[derive(Default)]
pub(super) struct Officials(BTreeMap<PieceNo, (CommandId, Stood)>);

impl Officials {
    /// Holds what the session says now against that.
    pub(super) fn look(&mut self, seed: u64, core: &Session, tally: &mut Tally) {
        for view in core.view(Viewer::Board).pieces {
            let Some(official) = &view.rulings.official else {
                self.0.remove(&view.piece);
                continue;
            };
            let stands = (official.command, stood(&view));
            let before = self.0.insert(view.piece, stands.clone());
            match before.filter(|(command, _)| *command == official.command) {
                Some(before) => assert_eq!(
                    before, stands,
                    "seed {seed}: what was official of piece {} has moved",
                    view.piece.0
                ),
                None => tally.add("piece made official"),
            }
            if view.results.iter().any(|result| result.ruling.would_be.is_some()) {
                tally.add("strokes came after a piece was official");
            }
        }
    }
}

fn stood(view: &PieceView) -> Stood {
    let results = view.results.iter();
    let results = results
        .map(|of| (of.athlete, of.place, of.outcome, of.time_ms, of.shown))
        // Who comes to light afterwards has no place, and takes nobody's.
        .filter(|(_, place, outcome, ..)| place.is_some() || *outcome == Outcome::Finished);
    (results.collect(), view.teams.clone())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_undo_names_the_order_that_it_takes_back() {
        let undo = |seed: u64| {
            let orders = super::super::life::Life::of(seed).orders;
            let undone = orders.iter().find_map(|(_, order)| {
                let Order::Undo { ruling } = order else { return None };
                Some(*ruling)
            })?;
            let at = usize::try_from(undone.0.as_u128() - 0xc000).unwrap_or(usize::MAX);
            orders.get(at).map(|(_, order)| order.is_ruling())
        };
        let found: Vec<bool> = (1..40).filter_map(undo).collect();
        assert!(found.len() > 3 && found.iter().all(|is| *is), "{found:?}");
    }
}
