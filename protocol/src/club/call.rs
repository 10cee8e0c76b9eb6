//! The calls of HTTP, each once: method, path, who may, what is sent and what answers. Routes, the document and the table of roles
//! are made from here.

use std::fmt;

use serde::{Serialize, de::DeserializeOwned};
use serde_json::Value;

use super::{
    Attendance, AttendanceAsked, AttendanceSaid, Attended, AttendedAsked, Card, CardUse, ClubView,
    Coaches, Deed, DeedNo, Deeds, DeedsAsked, Done, EffortSaid, Ended, ExportAsked, FinishSaid,
    Giving, Going, GoingPeople, Group, GroupChange, GroupId, Groups, HallCard, HallDevices,
    HallSessions, HandOver, Imported, KeyId, KeyRole, Keys, LinkedCoach, Looked, Looks,
    MembershipEnd, Merging, Myself, NewCoach, NewGroup, NewHallDevice, NewKey, NewMembers, NewNote,
    NewPerson, Note, NoteId, Notes, NotesAsked, OpenSessions, OwnData, People, PeopleAsked, Person,
    PersonChange, PersonId, RankingSaid, Reasoned, ResultChange, ResultId, Results, ResultsAsked,
    Ruled, Sessions, SessionsAsked, Swapping, TableChosen, TableSent, TakingBack, TargetSaid,
    Typing, WholeResult, WholeSession,
};
use crate::ids::{CoachId, CommandId, PieceNo, SessionId};

/// How something is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Method {
    /// Reads.
    Get,
    /// Makes or does something.
    Post,
    /// Changes what is there, named by `If-Match` as it was read.
    Patch,
    /// Ends something; twice is once.
    Delete,
}

impl fmt::Display for Method {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Method::Get => "GET",
            Method::Post => "POST",
            Method::Patch => "PATCH",
            Method::Delete => "DELETE",
        })
    }
}

/// Who may ask.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Who {
    /// Whoever has a key.
    Keyed,
    /// Whoever shows a card, which is no key and opens nothing else.
    Card,
    /// A person, of what is their own.
    Person,
    /// A device of the hall.
    Hall,
    /// Coaches from this role on.
    From(KeyRole),
}

impl Who {
    /// Whether a key that is worth this may.
    #[must_use]
    pub fn includes(self, role: KeyRole) -> bool {
        match self {
            Who::Keyed => true,
            Who::Card => false,
            Who::Person => role == KeyRole::Person,
            Who::Hall => role == KeyRole::Hall,
            Who::From(least) => role >= least,
        }
    }
}

/// What is sent and what answers, of one call.
pub trait Spoken {
    /// Which.
    const CALL: Call;
    /// Identities in the path.
    type Path: DeserializeOwned + Send + 'static;
    /// What narrows it, behind the question mark.
    type Query: Serialize + DeserializeOwned + Send + 'static;
    /// What is sent along.
    type Body: Serialize + DeserializeOwned + Send + 'static;
    /// What answers.
    type Answer: Serialize + DeserializeOwned + Send + 'static;
}

macro_rules! calls {
    ($(
        #[doc = $says:literal]
        $name:ident: $method:ident $path:literal by $who:expr,
        ($path_type:ty, $query:ty, $body:ty) -> $answer:ty;
    )*) => {
        /// One thing that can be asked of the club.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Call {
            $(#[doc = $says] $name,)*
        }

        impl Call {
            /// All of them.
            pub const ALL: &[Call] = &[$(Call::$name),*];

            /// How it is asked.
            #[must_use]
            pub fn method(self) -> Method {
                match self { $(Call::$name => Method::$method,)* }
            }

            /// Where, with names in braces for identities.
            #[must_use]
            pub fn path(self) -> &'static str {
                match self { $(Call::$name => $path,)* }
            }

            /// Who may.
            #[must_use]
            pub fn who(self) -> Who {
                match self { $(Call::$name => $who,)* }
            }

            /// What it does.
            #[must_use]
            pub fn says(self) -> &'static str {
                match self { $(Call::$name => $says.trim_ascii(),)* }
            }

            /// The name, for programs that are made from the document.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self { $(Call::$name => stringify!($name),)* }
            }

            /// Whether it answers with one thing as it is now, whose `ETag` a change of it names.
            #[must_use]
            pub fn is_of_one_thing(self) -> bool {
                let is_read_or_changed = matches!(self.method(), Method::Get | Method::Patch);
                is_read_or_changed && self.path().ends_with('}')
            }

            /// Whether it answers with a secret, which is shown once and kept nowhere.
            #[must_use]
            pub fn answers_with_secret(self) -> bool {
                matches!(
                    self,
                    Call::MakeCard
                        | Call::UseCard
                        | Call::AddCoach
                        | Call::LinkCoach
                        | Call::AddHallDevice
                )
            }

            /// Whether it ends keys, and with them what those have opened.
            #[must_use]
            pub fn ends_keys(self) -> bool {
                matches!(
                    self,
                    Call::EndKey
                        | Call::EndKeys
                        | Call::EndOwnKey
                        | Call::EndOwnKeys
                        | Call::LinkCoach
                        | Call::EndCoach
                        | Call::EndHallDevice
                )
            }

            /// Whether something is another thing behind it; what only reads is asked again without a thought.
            #[must_use]
            pub fn changes(self) -> bool {
                self.method() != Method::Get && self != Call::LookAtTable
            }

            /// The media type of what answers.
            #[must_use]
            pub fn media(self) -> &'static str {
                match self {
                    Call::ExportTable | Call::OwnTable => "text/csv",
                    _ => "application/json",
                }
            }

            /// What is sent along and what answers, read and written once more.
            ///
            /// # Errors
            /// One of them is not what this call has.
            pub fn again(self, [sent, answer]: [Value; 2]) -> Result<[Value; 2], serde_json::Error> {
                match self {
                    $(Call::$name => {
                        let sent: $body = serde_json::from_value(sent)?;
                        let answer: $answer = serde_json::from_value(answer)?;
                        Ok([serde_json::to_value(sent)?, serde_json::to_value(answer)?])
                    })*
                }
            }

            /// The schemas of what narrows it, of what is sent along, and of what answers, in this order.
            #[cfg(feature = "schema")]
            pub fn schemas(
                self,
                read: &mut schemars::SchemaGenerator,
                written: &mut schemars::SchemaGenerator,
            ) -> [schemars::Schema; 3] {
                match self {
                    $(Call::$name => [
                        read.subschema_for::<$query>(),
                        read.subschema_for::<$body>(),
                        written.subschema_for::<$answer>(),
                    ],)*
                }
            }
        }

        /// A type for each call, by which a server answers and a client asks.
        pub mod spoken {
            use super::*;

            $(
                #[doc = $says]
                #[derive(Clone, Copy, Debug)]
                pub enum $name {}

                impl Spoken for $name {
                    const CALL: Call = Call::$name;
                    type Path = $path_type;
                    type Query = $query;
                    type Body = $body;
                    type Answer = $answer;
                }
            )*
        }
    };
}

calls! {
    /// Says what holds for all of the club.
    ReadClub: Get "/api/club" by Who::From(KeyRole::Assistant), ((), (), ()) -> ClubView;
    /// Lists people by their names.
    ListPeople: Get "/api/club/people" by Who::From(KeyRole::Assistant), ((), PeopleAsked, ()) -> People;
    /// Says who somebody is.
    ReadPerson: Get "/api/club/people/{person}" by Who::From(KeyRole::Assistant), (PersonId, (), ()) -> Person;
    /// Adds somebody to the club.
    AddPerson: Post "/api/club/people" by Who::From(KeyRole::Coach), ((), (), NewPerson) -> Person;
    /// Changes what the club knows of somebody.
    ChangePerson: Patch "/api/club/people/{person}" by Who::From(KeyRole::Coach), (PersonId, (), PersonChange) -> Person;
    /// Says that somebody is to be deleted: they are hidden at once, and gone in some days unless it is taken back.
    DeletePerson: Delete "/api/club/people/{person}" by Who::From(KeyRole::Coach), (PersonId, (), ()) -> Going;
    /// Takes it back that somebody is to be deleted.
    KeepPerson: Post "/api/club/people/{person}/keep" by Who::From(KeyRole::Coach), (PersonId, (), ()) -> Person;
    /// Has somebody who is to be deleted be gone at once; it goes on behind the answer, and nobody can take it back.
    DeletePersonNow: Post "/api/club/people/{person}/delete-now" by Who::From(KeyRole::Coach), (PersonId, (), ()) -> Going;
    /// Lists who is to be deleted, and what it waits for.
    ListGoing: Get "/api/club/going" by Who::From(KeyRole::Coach), ((), (), ()) -> GoingPeople;
    /// Says that whoever asks is to be deleted.
    DeleteMyself: Delete "/api/club/me" by Who::Person, ((), (), ()) -> Going;
    /// Takes it back that whoever asks is to be deleted.
    KeepMyself: Post "/api/club/me/keep" by Who::Person, ((), (), ()) -> Person;
    /// Lists results, newest first.
    ListResults: Get "/api/club/results" by Who::From(KeyRole::Assistant), ((), ResultsAsked, ()) -> Results;
    /// Says all that is known of a result.
    ReadResult: Get "/api/club/results/{result}" by Who::From(KeyRole::Assistant), (ResultId, (), ()) -> WholeResult;
    /// Gives a result to a person.
    GiveResult: Post "/api/club/results/{result}/give" by Who::From(KeyRole::Coach), (ResultId, (), Giving) -> Done;
    /// Makes a result a guest's again.
    TakeBackResult: Post "/api/club/results/{result}/take-back" by Who::From(KeyRole::Coach), (ResultId, (), TakingBack) -> Done;
    /// Exchanges the results of two people who rowed on each other's machine.
    SwapResults: Post "/api/club/results/{result}/swap" by Who::From(KeyRole::Coach), (ResultId, (), Swapping) -> Done;
    /// Keeps a result that no machine has told.
    TypeResult: Post "/api/club/results" by Who::From(KeyRole::Coach), ((), (), Typing) -> WholeResult;
    /// Puts a typed or imported result right.
    ChangeResult: Patch "/api/club/results/{result}" by Who::From(KeyRole::Coach), (ResultId, (), ResultChange) -> WholeResult;
    /// Says whether a typed or imported result is ranked.
    RankResult: Post "/api/club/results/{result}/rank" by Who::From(KeyRole::Coach), (ResultId, (), RankingSaid) -> Done;
    /// Removes a typed or imported result.
    RemoveResult: Post "/api/club/results/{result}/remove" by Who::From(KeyRole::Coach), (ResultId, (), Reasoned) -> Done;
    /// Shows what each line of a file of people or results would come to; nothing is stored.
    LookAtTable: Post "/api/club/import/look" by Who::From(KeyRole::Coach), ((), (), TableSent) -> Looked;
    /// Stores the new lines of a file, and those doubtful ones that are named.
    ImportTable: Post "/api/club/import" by Who::From(KeyRole::Coach), ((), (), TableChosen) -> Imported;
    /// Writes out everybody, or all results, as CSV that goes in again without loss; who took it along is listed.
    ExportTable: Get "/api/club/export" by Who::From(KeyRole::Coach), ((), ExportAsked, ()) -> String;
    /// Makes two entries of one person one.
    MergePeople: Post "/api/club/people/{person}/merge" by Who::From(KeyRole::Coach), (PersonId, (), Merging) -> Done;
    /// Lists what was done to people and results outside sessions, newest first.
    ListDeeds: Get "/api/club/deeds" by Who::From(KeyRole::Assistant), ((), DeedsAsked, ()) -> Deeds;
    /// Undoes what was done, once and within 30 days; answers with its line of the list as it is now.
    UndoDeed: Post "/api/club/deeds/{deed}/undo" by Who::From(KeyRole::Coach), (DeedNo, (), ()) -> Deed;
    /// Lists sessions in which something was rowed, newest first.
    ListSessions: Get "/api/club/sessions" by Who::From(KeyRole::Assistant), ((), SessionsAsked, ()) -> Sessions;
    /// Says what was rowed in a session, piece by piece.
    ReadSession: Get "/api/club/sessions/{session}" by Who::From(KeyRole::Assistant), (SessionId, (), ()) -> WholeSession;
    /// Lists sessions that are open now, newest first.
    ListOpen: Get "/api/club/open" by Who::From(KeyRole::Assistant), ((), (), ()) -> OpenSessions;
    /// Makes the results of a piece official: from then on no place moves by itself.
    MakeOfficial: Post "/api/club/sessions/{session}/pieces/{piece}/official" by Who::From(KeyRole::Coach), ((SessionId, PieceNo), (), ()) -> Ruled;
    /// Opens a piece again that was official.
    ReopenPiece: Post "/api/club/sessions/{session}/pieces/{piece}/reopen" by Who::From(KeyRole::Coach), ((SessionId, PieceNo), (), Reasoned) -> Ruled;
    /// Puts another finish in the place of what was measured in a piece.
    CorrectFinish: Post "/api/club/results/{result}/correct" by Who::From(KeyRole::Coach), (ResultId, (), FinishSaid) -> Ruled;
    /// Ranks the result of a piece against another target.
    CorrectTarget: Post "/api/club/results/{result}/target" by Who::From(KeyRole::Coach), (ResultId, (), TargetSaid) -> Ruled;
    /// Takes the place of a result of a piece that does not count as one.
    ExcludeResult: Post "/api/club/results/{result}/exclude" by Who::From(KeyRole::Coach), (ResultId, (), Reasoned) -> Ruled;
    /// Takes the place of a result of a piece that was rowed out of competition.
    UnrankResult: Post "/api/club/results/{result}/unrank" by Who::From(KeyRole::Coach), (ResultId, (), Reasoned) -> Ruled;
    /// Takes back what was ruled; what stood before stands again.
    UndoRuling: Post "/api/club/sessions/{session}/rulings/{ruling}/undo" by Who::From(KeyRole::Coach), ((SessionId, CommandId), (), ()) -> Ruled;
    /// Makes a card for a person, which lets one device in, once, within seven days.
    MakeCard: Post "/api/club/people/{person}/card" by Who::From(KeyRole::Coach), (PersonId, (), ()) -> Card;
    /// Gives the device that shows a card, in place of a key, a key of its own.
    UseCard: Post "/api/club/card" by Who::Card, ((), (), CardUse) -> NewKey;
    /// Lists what lets a person's devices in: cards that wait, and keys.
    ListKeys: Get "/api/club/people/{person}/keys" by Who::From(KeyRole::Coach), (PersonId, (), ()) -> Keys;
    /// Ends a key or a card of a person.
    EndKey: Delete "/api/club/people/{person}/keys/{key}" by Who::From(KeyRole::Coach), ((PersonId, KeyId), (), ()) -> Ended;
    /// Ends all keys and cards of a person.
    EndKeys: Delete "/api/club/people/{person}/keys" by Who::From(KeyRole::Coach), (PersonId, (), ()) -> Ended;
    /// Lists the coaches of the club.
    ListCoaches: Get "/api/club/coaches" by Who::From(KeyRole::Head), ((), (), ()) -> Coaches;
    /// Adds a coach, with a link of their own.
    AddCoach: Post "/api/club/coaches" by Who::From(KeyRole::Head), ((), (), NewCoach) -> LinkedCoach;
    /// Gives a coach a new link; those they had open nothing any more.
    LinkCoach: Post "/api/club/coaches/{coach}/link" by Who::From(KeyRole::Head), (CoachId, (), ()) -> LinkedCoach;
    /// Ends a coach: their links open nothing any more.
    EndCoach: Delete "/api/club/coaches/{coach}" by Who::From(KeyRole::Head), (CoachId, (), ()) -> Ended;
    /// Lists the devices of the hall.
    ListHallDevices: Get "/api/club/hall-devices" by Who::From(KeyRole::Coach), ((), (), ()) -> HallDevices;
    /// Adds a device of the hall, with a card that lets it in, once, within seven days.
    AddHallDevice: Post "/api/club/hall-devices" by Who::From(KeyRole::Coach), ((), (), NewHallDevice) -> HallCard;
    /// Ends a device of the hall: its key and its card open nothing any more.
    EndHallDevice: Delete "/api/club/hall-devices/{device}" by Who::From(KeyRole::Coach), (KeyId, (), ()) -> Ended;
    /// Lists the sessions of tonight with the names of their lists.
    ReadHall: Get "/api/club/hall" by Who::Hall, ((), (), ()) -> HallSessions;
    /// Lists the groups of the club, each with who is in it.
    ListGroups: Get "/api/club/groups" by Who::From(KeyRole::Assistant), ((), (), ()) -> Groups;
    /// Says who is in a group, and which coach has it.
    ReadGroup: Get "/api/club/groups/{group}" by Who::From(KeyRole::Assistant), (GroupId, (), ()) -> Group;
    /// Makes a group, which is of the coach who makes it.
    MakeGroup: Post "/api/club/groups" by Who::From(KeyRole::Coach), ((), (), NewGroup) -> Group;
    /// Calls a group otherwise; for the coach who has it, and the head coach.
    ChangeGroup: Patch "/api/club/groups/{group}" by Who::From(KeyRole::Coach), (GroupId, (), GroupChange) -> Group;
    /// Hands a group over to another coach, with its notes; for the coach who has it, and the head coach.
    HandOverGroup: Post "/api/club/groups/{group}/hand-over" by Who::From(KeyRole::Coach), (GroupId, (), HandOver) -> Done;
    /// Ends a group: nobody is in it after today; for the coach who has it, and the head coach.
    EndGroup: Post "/api/club/groups/{group}/end" by Who::From(KeyRole::Coach), (GroupId, (), ()) -> Done;
    /// Adds people to a group; for the coach who has it, and the head coach.
    AddMembers: Post "/api/club/groups/{group}/members" by Who::From(KeyRole::Coach), (GroupId, (), NewMembers) -> Done;
    /// Says the last day of somebody in a group; for the coach who has it, and the head coach.
    EndMember: Post "/api/club/groups/{group}/members/{person}/end" by Who::From(KeyRole::Coach), ((GroupId, PersonId), (), MembershipEnd) -> Done;
    /// Lists those notes about a person, a group or a session that whoever asks may read, newest first.
    ListNotes: Get "/api/club/notes" by Who::From(KeyRole::Assistant), ((), NotesAsked, ()) -> Notes;
    /// Keeps a note about a person, a group or a session.
    WriteNote: Post "/api/club/notes" by Who::From(KeyRole::Coach), ((), (), NewNote) -> Note;
    /// Removes a note; for whoever wrote it, the coach who has the group that it is about, and the head coach.
    RemoveNote: Delete "/api/club/notes/{note}" by Who::From(KeyRole::Coach), (NoteId, (), ()) -> Done;
    /// Lists the notes that are meant for whoever asks, newest first.
    OwnNotes: Get "/api/club/me/notes" by Who::Person, ((), (), ()) -> Notes;
    /// Lists who came to a session, of a group who was absent as well.
    ListAttendance: Get "/api/club/sessions/{session}/attendance" by Who::From(KeyRole::Assistant), (SessionId, AttendanceAsked, ()) -> Attendance;
    /// Says whether somebody came to a session, which stands over what is known by itself; answers with all lines as they are now.
    SayAttendance: Post "/api/club/sessions/{session}/attendance" by Who::From(KeyRole::Coach), (SessionId, (), AttendanceSaid) -> Attendance;
    /// Lists the sessions to which somebody came, newest first, and those for which something else is known of them.
    PersonAttendance: Get "/api/club/people/{person}/attendance" by Who::From(KeyRole::Assistant), (PersonId, AttendedAsked, ()) -> Attended;
    /// Lists the sessions to which whoever asks came, newest first.
    OwnAttendance: Get "/api/club/me/attendance" by Who::Person, ((), AttendedAsked, ()) -> Attended;
    /// Says who asks.
    WhoAmI: Get "/api/club/me" by Who::Keyed, ((), (), ()) -> Myself;
    /// Lists sessions of tonight that whoever asks can come to, newest first.
    OwnOpen: Get "/api/club/me/open" by Who::Person, ((), (), ()) -> OpenSessions;
    /// Lists the results of whoever asks, newest first.
    OwnResults: Get "/api/club/me/results" by Who::Person, ((), ResultsAsked, ()) -> Results;
    /// Says all that is known of a result of whoever asks.
    OwnResult: Get "/api/club/me/results/{result}" by Who::Person, (ResultId, (), ()) -> WholeResult;
    /// Says how hard a result of whoever asks felt, or takes that back.
    SayEffort: Post "/api/club/me/results/{result}/effort" by Who::Person, (ResultId, (), EffortSaid) -> WholeResult;
    /// Lists what lets the devices of whoever asks in.
    OwnKeys: Get "/api/club/me/keys" by Who::Person, ((), (), ()) -> Keys;
    /// Ends a key or a card of whoever asks.
    EndOwnKey: Delete "/api/club/me/keys/{key}" by Who::Person, (KeyId, (), ()) -> Ended;
    /// Ends all keys and cards of whoever asks, but the one that asks.
    EndOwnKeys: Delete "/api/club/me/keys" by Who::Person, ((), (), ()) -> Ended;
    /// Writes out all that the club keeps about whoever asks.
    ReadOwnData: Get "/api/club/me/data" by Who::Person, ((), (), ()) -> OwnData;
    /// Writes out the results of whoever asks as CSV, which goes into any club.
    OwnTable: Get "/api/club/me/results.csv" by Who::Person, ((), (), ()) -> String;
    /// Lists who has read what concerns the health of whoever asks, or has taken their results along.
    OwnLooks: Get "/api/club/me/looks" by Who::Person, ((), (), ()) -> Looks;
}
