//! Why an answer is none, as RFC 9457 has it.

use serde::{Deserialize, Serialize};

/// What went wrong, and what to do; the media type is `application/problem+json`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Problem {
    /// Which kind, for programs.
    #[serde(rename = "type")]
    pub kind: ProblemKind,
    /// The kind in words, always the same.
    pub title: String,
    /// The status of the answer.
    pub status: u16,
    /// A sentence for people: what to do.
    pub detail: String,
}

macro_rules! kinds {
    ($($(#[doc = $title:literal])+ $name:ident = $urn:literal, $status:literal;)*) => {
        /// Kinds of problems.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
        #[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
        pub enum ProblemKind {
            $($(#[doc = $title])+ #[serde(rename = $urn)] $name,)*
        }

        impl ProblemKind {
            /// All of them.
            pub const ALL: &[ProblemKind] = &[$(ProblemKind::$name),*];

            /// The status of the answer.
            #[must_use]
            pub fn status(self) -> u16 {
                match self { $(ProblemKind::$name => $status,)* }
            }

            /// The kind in words.
            #[must_use]
            pub fn title(self) -> &'static str {
                match self { $(ProblemKind::$name => concat!($($title),+).trim_ascii(),)* }
            }
        }
    };
}

kinds! {
    /// What was sent cannot be read.
    Malformed = "urn:thole:malformed", 400;
    /// No key was sent, or one that opens nothing.
    NoKey = "urn:thole:no-key", 401;
    /// This key may not do that.
    NotYours = "urn:thole:not-yours", 403;
    /// There is no such thing.
    NotThere = "urn:thole:not-there", 404;
    /// This address cannot be asked so.
    WrongMethod = "urn:thole:wrong-method", 405;
    /// It cannot be done on top of what was done before.
    Conflict = "urn:thole:conflict", 409;
    /// It was changed by somebody else meanwhile.
    Changed = "urn:thole:changed", 412;
    /// More was sent than is taken.
    TooLong = "urn:thole:too-long", 413;
    /// It makes no sense as things stand.
    Refused = "urn:thole:refused", 422;
    /// This `Idempotency-Key` stands for something else.
    Reused = "urn:thole:reused", 422;
    /// What is changed has to be named as it was read.
    Unmatched = "urn:thole:unmatched", 428;
    /// More was asked than is kept.
    TooMany = "urn:thole:too-many", 429;
    /// It cannot be done just now.
    Busy = "urn:thole:busy", 503;
}

impl Problem {
    /// One of a kind, with what to do.
    #[must_use]
    pub fn of(kind: ProblemKind, detail: impl Into<String>) -> Problem {
        Problem {
            kind,
            title: kind.title().to_owned(),
            status: kind.status(),
            detail: detail.into(),
        }
    }
}
