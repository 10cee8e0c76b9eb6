//! The calls of HTTP, each once: method, path, who may, what is sent and what answers. Routes, the document and the table of roles
//! are made from here.

use std::fmt;

use serde::{Serialize, de::DeserializeOwned};
use serde_json::Value;

use super::{
    Card, CardUse, ClubView, Coaches, Deed, DeedNo, Deeds, DeedsAsked, Done, Ended, Giving, KeyId,
    KeyRole, Keys, LinkedCoach, Merging, Myself, NewCoach, NewKey, NewPerson, People, PeopleAsked,
    Person, PersonChange, PersonId, ResultId, Results, ResultsAsked, Sessions, SessionsAsked,
    Swapping, TakingBack, WholeResult, WholeSession,
};
use crate::ids::{CoachId, SessionId};

/// How something is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Method {
    /// Reads.
    Get,
    /// Makes or does something; the same `Idempotency-Key` twice does it once.
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
                matches!(self, Call::MakeCard | Call::UseCard | Call::AddCoach | Call::LinkCoach)
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
    /// Says who asks.
    WhoAmI: Get "/api/club/me" by Who::Keyed, ((), (), ()) -> Myself;
    /// Lists the results of whoever asks, newest first.
    OwnResults: Get "/api/club/me/results" by Who::Person, ((), ResultsAsked, ()) -> Results;
    /// Says all that is known of a result of whoever asks.
    OwnResult: Get "/api/club/me/results/{result}" by Who::Person, (ResultId, (), ()) -> WholeResult;
    /// Lists what lets the devices of whoever asks in.
    OwnKeys: Get "/api/club/me/keys" by Who::Person, ((), (), ()) -> Keys;
    /// Ends a key or a card of whoever asks.
    EndOwnKey: Delete "/api/club/me/keys/{key}" by Who::Person, (KeyId, (), ()) -> Ended;
    /// Ends all keys and cards of whoever asks, but the one that asks.
    EndOwnKeys: Delete "/api/club/me/keys" by Who::Person, ((), (), ()) -> Ended;
}
