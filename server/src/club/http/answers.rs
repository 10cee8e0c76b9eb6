//! What each call does.

mod attendance;
mod deeds;
mod going;
mod groups;
mod hall;
mod keys;
mod lists;
mod notes;
mod people;
mod rulings;
mod said;
mod tables;

use axum::routing::MethodRouter;
use thole_protocol::club::{
    Call, Coaches, GoingPeople, HallDevices, Looks, Myself, People, Problem, ProblemKind, ResultId,
    WholeResult, spoken,
};

use super::{Asked, ordering, ordering::Planned, route};
use crate::club::store::{KeyHolder, Store};

/// The route of a call.
pub(super) fn of(call: Call) -> MethodRouter {
    match call {
        Call::ReadClub => route::<spoken::ReadClub>(|store, _| Ok(store.view()?)),
        Call::ListPeople => route::<spoken::ListPeople>(|store, asked| {
            let people = store.people(asked.query.name.as_deref().unwrap_or_default())?;
            Ok(People { people })
        }),
        Call::ReadPerson => route::<spoken::ReadPerson>(|store, asked| {
            store.who(asked.path)?.ok_or_else(|| none("person"))
        }),
        Call::AddPerson => route::<spoken::AddPerson>(people::add),
        Call::ChangePerson => route::<spoken::ChangePerson>(people::change),
        Call::DeletePerson => route::<spoken::DeletePerson>(going::delete),
        Call::KeepPerson => route::<spoken::KeepPerson>(going::keep),
        Call::DeletePersonNow => route::<spoken::DeletePersonNow>(going::delete_now),
        Call::ListGoing => {
            route::<spoken::ListGoing>(|store, _| Ok(GoingPeople { people: store.all_going()? }))
        }
        Call::DeleteMyself => route::<spoken::DeleteMyself>(|store, asked| {
            Ok(store.go(keys::own(&asked.asker)?, &asked.doer())?)
        }),
        Call::KeepMyself => {
            route::<spoken::KeepMyself>(|store, asked| Ok(store.keep(keys::own(&asked.asker)?)?))
        }
        Call::ListResults => {
            route::<spoken::ListResults>(|store, asked| lists::results(store, asked.query))
        }
        Call::ReadResult => route::<spoken::ReadResult>(|store, asked| {
            store.whole_result(asked.path)?.ok_or_else(|| none("result"))
        }),
        Call::GiveResult => route::<spoken::GiveResult>(deeds::give),
        Call::TakeBackResult => route::<spoken::TakeBackResult>(deeds::take_back),
        Call::SwapResults => route::<spoken::SwapResults>(deeds::swap),
        Call::TypeResult => route::<spoken::TypeResult>(said::type_it),
        Call::ChangeResult => route::<spoken::ChangeResult>(said::change),
        Call::RankResult => route::<spoken::RankResult>(said::rank),
        Call::RemoveResult => route::<spoken::RemoveResult>(said::remove),
        Call::LookAtTable => route::<spoken::LookAtTable>(tables::look),
        Call::ImportTable => route::<spoken::ImportTable>(tables::import),
        Call::ExportTable => route::<spoken::ExportTable>(tables::export),
        Call::MergePeople => route::<spoken::MergePeople>(deeds::merge),
        Call::ListDeeds => route::<spoken::ListDeeds>(deeds::list),
        Call::UndoDeed => route::<spoken::UndoDeed>(deeds::undo),
        Call::ListSessions => {
            route::<spoken::ListSessions>(|store, asked| lists::sessions(store, &asked.query))
        }
        Call::ReadSession => {
            route::<spoken::ReadSession>(|store, asked| lists::session(store, asked.path))
        }
        Call::ListOpen => super::open::route::<spoken::ListOpen>(),
        Call::OwnOpen => super::open::route::<spoken::OwnOpen>(),
        Call::ListHallDevices => route::<spoken::ListHallDevices>(|store, _| {
            Ok(HallDevices { devices: store.hall_devices()? })
        }),
        Call::AddHallDevice => route::<spoken::AddHallDevice>(hall::add),
        Call::EndHallDevice => route::<spoken::EndHallDevice>(hall::end),
        Call::ReadHall => super::open::hall(),
        Call::MakeOfficial => ordering::<spoken::MakeOfficial>(rulings::official),
        Call::ReopenPiece => ordering::<spoken::ReopenPiece>(rulings::reopen),
        Call::CorrectFinish => ordering::<spoken::CorrectFinish>(rulings::finish),
        Call::CorrectTarget => ordering::<spoken::CorrectTarget>(rulings::target),
        Call::ExcludeResult => ordering::<spoken::ExcludeResult>(rulings::exclude),
        Call::UnrankResult => ordering::<spoken::UnrankResult>(rulings::unrank),
        Call::UndoRuling => ordering::<spoken::UndoRuling>(rulings::undo),
        Call::MakeCard => route::<spoken::MakeCard>(keys::make_card),
        Call::UseCard => super::card::route(),
        Call::ListKeys => route::<spoken::ListKeys>(|store, asked| {
            keys::of(store, asked.path, None, asked.at_unix_ms)
        }),
        Call::EndKey => route::<spoken::EndKey>(|store, asked| {
            let (person, key) = asked.path;
            keys::end(store, person, key, asked.at_unix_ms)
        }),
        Call::EndKeys => route::<spoken::EndKeys>(|store, asked| {
            store.who(asked.path)?.ok_or_else(|| none("person"))?;
            Ok(store.end_keys(asked.path, None, asked.at_unix_ms)?)
        }),
        Call::ListCoaches => {
            route::<spoken::ListCoaches>(|store, _| Ok(Coaches { coaches: store.coaches()? }))
        }
        Call::AddCoach => route::<spoken::AddCoach>(keys::add_coach),
        Call::LinkCoach => route::<spoken::LinkCoach>(keys::link_coach),
        Call::EndCoach => route::<spoken::EndCoach>(keys::end_coach),
        Call::OwnKeys => route::<spoken::OwnKeys>(|store, asked| {
            let own = keys::own(&asked.asker)?;
            keys::of(store, own, asked.asker.key, asked.at_unix_ms)
        }),
        Call::EndOwnKey => route::<spoken::EndOwnKey>(|store, asked| {
            keys::end(store, keys::own(&asked.asker)?, asked.path, asked.at_unix_ms)
        }),
        Call::EndOwnKeys => route::<spoken::EndOwnKeys>(|store, asked| {
            let own = keys::own(&asked.asker)?;
            Ok(store.end_keys(own, asked.asker.key, asked.at_unix_ms)?)
        }),
        Call::ReadOwnData => route::<spoken::ReadOwnData>(|store, asked| {
            let own = keys::own(&asked.asker)?;
            store.own_data(own, asked.at_unix_ms)?.ok_or_else(|| none("person"))
        }),
        Call::OwnTable => {
            route::<spoken::OwnTable>(|store, asked| Ok(store.table_of(keys::own(&asked.asker)?)?))
        }
        Call::OwnLooks => route::<spoken::OwnLooks>(|store, asked| {
            Ok(Looks { looks: store.looks(keys::own(&asked.asker)?)? })
        }),
        Call::ListGroups => route::<spoken::ListGroups>(groups::list),
        Call::ReadGroup => route::<spoken::ReadGroup>(|store, asked| {
            groups::one(store, asked.path, asked.at_unix_ms)
        }),
        Call::MakeGroup => route::<spoken::MakeGroup>(groups::make),
        Call::ChangeGroup => route::<spoken::ChangeGroup>(groups::change),
        Call::HandOverGroup => route::<spoken::HandOverGroup>(groups::hand_over),
        Call::EndGroup => route::<spoken::EndGroup>(groups::end),
        Call::AddMembers => route::<spoken::AddMembers>(groups::add),
        Call::EndMember => route::<spoken::EndMember>(groups::end_member),
        Call::ListNotes => route::<spoken::ListNotes>(notes::list),
        Call::WriteNote => route::<spoken::WriteNote>(notes::write),
        Call::RemoveNote => route::<spoken::RemoveNote>(notes::remove),
        Call::OwnNotes => route::<spoken::OwnNotes>(notes::own),
        Call::ListAttendance => route::<spoken::ListAttendance>(attendance::of_session),
        Call::SayAttendance => route::<spoken::SayAttendance>(attendance::say),
        Call::PersonAttendance => route::<spoken::PersonAttendance>(attendance::of_person),
        Call::OwnAttendance => route::<spoken::OwnAttendance>(attendance::own),
        Call::WhoAmI => route::<spoken::WhoAmI>(|store, asked| {
            let own = asked.asker.person.as_ref().filter(|_| asked.asker.goes_unix_ms.is_some());
            let going = own.map(|own| store.going(own.person)).transpose()?.flatten();
            let club = store.club();
            Ok(Myself {
                role: asked.asker.role,
                person: asked.asker.person,
                coach: asked.asker.coach.map(|coach| coach.name),
                club: club.name.clone(),
                zone: club.zone.name().to_owned(),
                going,
            })
        }),
        Call::OwnResults => route::<spoken::OwnResults>(lists::own_results),
        Call::OwnResult => {
            route::<spoken::OwnResult>(|store, asked| own_result(store, &asked.asker, asked.path))
        }
        Call::SayEffort => route::<spoken::SayEffort>(|store, asked| {
            own_result(store, &asked.asker, asked.path)?;
            store.say_effort(asked.path, asked.body.felt, asked.at_unix_ms)?;
            own_result(store, &asked.asker, asked.path)
        }),
    }
}

/// Somebody else's is as if it were not there.
fn own_result(store: &Store, asker: &KeyHolder, result: ResultId) -> Result<WholeResult, Problem> {
    let own = asker.person.as_ref().map(|person| person.person.to_string());
    let result = store.own_whole_result(result)?;
    let result = result.filter(|result| own.is_some() && result.line.person == own);
    result.ok_or_else(|| none("result"))
}

fn refused(says: impl Into<String>) -> Problem {
    Problem::of(ProblemKind::Refused, says)
}

fn none(what: &str) -> Problem {
    let says = format!("There is no such {what}; lists have the identities of all.");
    Problem::of(ProblemKind::NotThere, says)
}
