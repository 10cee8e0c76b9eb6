//! Results typed, put right, ranked and removed, that no session has.

use thole_club::{Rowed, rowed::read_piece};
use thole_protocol::{
    club::{Done, Edit, Listed, Problem, ProblemKind, ResultChange, Typing, WholeResult, spoken},
    ids::{PieceNo, SessionId},
    shown::repeats_text,
    total::Total,
    units::{Decimetres, Millis},
};

use super::{
    Asked,
    deeds::{line, named, told},
    none, refused,
};
use crate::club::store::Store;

pub(super) fn type_it(
    store: &mut Store,
    asked: Asked<spoken::TypeResult>,
) -> Result<WholeResult, Problem> {
    let doer = asked.doer();
    let Typing {
        person,
        day,
        work,
        time_ms,
        distance_dm,
        rate_half_spm,
        machine,
        title,
        session,
        piece,
    } = asked.body;
    let total = total(time_ms, distance_dm)?.ok_or_else(|| {
        refused("Say `time_ms` of a piece by distance, or `distance_dm` of a piece by time.")
    })?;
    let rowed = Rowed {
        day,
        repeats: read_piece(&work).map_err(refused)?,
        total,
        rate_half_spm,
        machine,
        title: title.unwrap_or_default(),
    };
    let of = match (session, piece) {
        (Some(session), Some(piece)) => {
            is_that_piece(store, (session, piece), &rowed)?;
            Some((session, piece))
        }
        (None, None) => None,
        (Some(_), None) | (None, Some(_)) => {
            return Err(refused("Say both of `session` and `piece`, or neither."));
        }
    };
    let person = named(store, person)?;
    let typed = store.type_result(&person, &rowed, of, &doer)?;
    store.whole_result(typed.result)?.ok_or_else(|| none("result"))
}

pub(super) fn change(
    store: &mut Store,
    asked: Asked<spoken::ChangeResult>,
) -> Result<WholeResult, Problem> {
    let was = store.whole_result(asked.path)?.ok_or_else(|| none("result"))?;
    is_said(&was.line, "correct")?;
    asked.is_as_read(&was)?;
    let doer = asked.doer();
    let ResultChange { reason, day, work, time_ms, distance_dm, rate_half_spm, machine, title } =
        asked.body;
    let mut rowed = store.said(&was.line)?;
    let total = total(time_ms, distance_dm)?;
    if let Some(work) = work {
        rowed.repeats = read_piece(&work).map_err(refused)?;
        if total.is_none() {
            return Err(refused(
                "With another `work`, say its `time_ms` or `distance_dm` as well.",
            ));
        }
    }
    rowed.total = total.unwrap_or(rowed.total);
    rowed.day = day.unwrap_or(rowed.day);
    rowed.title = title.unwrap_or(rowed.title);
    rowed.rate_half_spm = edited(rowed.rate_half_spm, rate_half_spm);
    rowed.machine = edited(rowed.machine, machine);
    store.correct_said(&was.line, &rowed, &reason, &doer)?;
    store.whole_result(asked.path)?.ok_or_else(|| none("result"))
}

pub(super) fn rank(store: &mut Store, asked: Asked<spoken::RankResult>) -> Result<Done, Problem> {
    let result = line(store, asked.path)?;
    is_said(&result, "unrank")?;
    let doer = asked.doer();
    let done = store.rank_said(&result, asked.body.ranked, &doer)?;
    told(store, done, &doer)
}

pub(super) fn remove(
    store: &mut Store,
    asked: Asked<spoken::RemoveResult>,
) -> Result<Done, Problem> {
    let result = line(store, asked.path)?;
    is_said(&result, "exclude")?;
    let doer = asked.doer();
    let done = store.remove_said(&result, &asked.body.reason, &doer)?;
    told(store, done, &doer)
}

/// Refuses what was not rowed in that piece of the session: it would be listed among those who rowed it.
fn is_that_piece(
    store: &Store,
    (session, piece): (SessionId, PieceNo),
    rowed: &Rowed,
) -> Result<(), Problem> {
    let Some((day, work)) = store.rowed_piece(session, piece)? else {
        return Err(refused(
            "The club has no result of that piece: wait until it is over, or leave the session out.",
        ));
    };
    if day != rowed.day.as_str() || work != repeats_text(&rowed.repeats) {
        return Err(refused(format!(
            "In that piece {work} was rowed on {day}: say the same, or leave the session out."
        )));
    }
    Ok(())
}

/// Refuses a result of a piece, which is put right in its session, so that the session knows.
fn is_said(result: &Listed, instead: &str) -> Result<(), Problem> {
    if result.source != "piece" {
        return Ok(());
    }
    let says = format!(
        "It was rowed in a session, and is put right there: POST /api/club/results/{}/{instead}.",
        result.result
    );
    Err(Problem::of(ProblemKind::Conflict, says))
}

pub(super) fn total(
    time_ms: Option<Millis>,
    distance_dm: Option<Decimetres>,
) -> Result<Option<Total>, Problem> {
    match (time_ms, distance_dm) {
        (None, None) => Ok(None),
        (Some(finish_ms), None) => Ok(Some(Total::Time { finish_ms })),
        (None, Some(distance_dm)) => Ok(Some(Total::Distance { distance_dm })),
        (Some(_), Some(_)) => Err(refused("Say `time_ms` or `distance_dm`, not both.")),
    }
}

fn edited<T>(was: Option<T>, edit: Edit<T>) -> Option<T> {
    match edit {
        Edit::Left => was,
        Edit::Cleared => None,
        Edit::Set(to) => Some(to),
    }
}
