//! What coaches rule about pieces that are over and about their results: orders to their session.

use thole_protocol::{
    club::{Edit, Listed, Problem, ProblemKind, spoken},
    ids::{AthleteId, PieceNo},
    order::Order,
};

use super::{Asked, Planned, deeds::line, refused, said::total};
use crate::club::store::Store;

pub(super) fn official(_: &Store, asked: &Asked<spoken::MakeOfficial>) -> Result<Planned, Problem> {
    let (session, piece) = asked.path;
    let says = format!("The results of piece {} are official.", counted(piece));
    Ok(Planned { session, order: Order::MakeOfficial { piece }, says })
}

pub(super) fn reopen(_: &Store, asked: &Asked<spoken::ReopenPiece>) -> Result<Planned, Problem> {
    let (session, piece) = asked.path;
    let says = format!("The results of piece {} are open again.", counted(piece));
    let reason = asked.body.reason.clone();
    Ok(Planned { session, order: Order::Reopen { piece, reason }, says })
}

pub(super) fn finish(
    store: &Store,
    asked: &Asked<spoken::CorrectFinish>,
) -> Result<Planned, Problem> {
    let body = &asked.body;
    let finish = total(body.time_ms, body.distance_dm)?.ok_or_else(|| {
        refused("Say `time_ms` of a piece by distance, or `distance_dm` of a piece by time.")
    })?;
    let reason = body.reason.clone();
    of(store, &line(store, asked.path)?, "corrected", |piece, athlete| Order::CorrectResult {
        piece,
        athlete,
        finish,
        reason,
    })
}

pub(super) fn target(
    store: &Store,
    asked: &Asked<spoken::CorrectTarget>,
) -> Result<Planned, Problem> {
    let target = match asked.body.target {
        Edit::Left => return Err(refused("Say the `target`, or `null` for none.")),
        Edit::Cleared => None,
        Edit::Set(target) => Some(target),
    };
    let reason = asked.body.reason.clone();
    let result = line(store, asked.path)?;
    of(store, &result, "ranked against another target", |piece, athlete| Order::CorrectTarget {
        piece,
        athlete,
        target,
        reason,
    })
}

pub(super) fn exclude(
    store: &Store,
    asked: &Asked<spoken::ExcludeResult>,
) -> Result<Planned, Problem> {
    let reason = asked.body.reason.clone();
    of(store, &line(store, asked.path)?, "excluded", |piece, athlete| Order::Exclude {
        piece,
        athlete,
        reason,
    })
}

pub(super) fn unrank(
    store: &Store,
    asked: &Asked<spoken::UnrankResult>,
) -> Result<Planned, Problem> {
    let reason = asked.body.reason.clone();
    of(store, &line(store, asked.path)?, "not ranked", |piece, athlete| Order::Unrank {
        piece,
        athlete,
        reason,
    })
}

pub(super) fn undo(_: &Store, asked: &Asked<spoken::UndoRuling>) -> Result<Planned, Problem> {
    let (session, ruling) = asked.path;
    let says = "It is taken back; what stood before stands again.".to_owned();
    Ok(Planned { session, order: Order::Undo { ruling }, says })
}

/// An order about a result of a piece.
fn of(
    store: &Store,
    result: &Listed,
    is_now: &str,
    order: impl FnOnce(PieceNo, AthleteId) -> Order,
) -> Result<Planned, Problem> {
    let Some(rowed) = store.rowed_by(result)? else {
        let says = if result.source == "piece" {
            "Nobody knows any more who rowed it: their records are erased.".to_owned()
        } else {
            let result = &result.result;
            format!(
                "No session has it, somebody typed or imported it: PATCH /api/club/results/{result} corrects it, POST to …/rank and …/remove do the rest."
            )
        };
        return Err(Problem::of(ProblemKind::Conflict, says));
    };
    let (session, piece, athlete) = rowed;
    let name = result.name.as_deref().unwrap_or("Somebody");
    let says = format!("{name}'s result of piece {} is {is_now} now.", counted(piece));
    Ok(Planned { session, order: order(piece, athlete), says })
}

/// As people count.
fn counted(PieceNo(piece): PieceNo) -> u32 {
    u32::from(piece) + 1
}
