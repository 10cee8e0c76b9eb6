//! The club over HTTP: people, results and sessions that last, the calls that read and change them, and who may.

pub mod attendance;
pub mod call;
pub mod day;
pub mod deeds;
pub mod edit;
pub mod going;
pub mod groups;
pub mod hall;
pub mod ids;
pub mod keys;
pub mod notes;
pub mod own;
pub mod people;
pub mod problem;
pub mod results;
pub mod rulings;
pub mod said;
pub mod sessions;
pub mod tables;

pub use attendance::{
    Attendance, AttendanceAsked, AttendanceKnown, AttendanceLine, AttendanceSaid, AttendanceSource,
    AttendanceState, Attended, AttendedAsked, AttendedSession,
};
pub use call::{Call, Spoken, Who, spoken};
pub use day::ClubDay;
pub use deeds::{
    Deed, DeedKind, DeedNo, Deeds, DeedsAsked, Done, Giving, Merging, Swapping, TakingBack,
};
pub use edit::Edit;
pub use going::{Going, GoingPeople};
pub use groups::{
    Group, GroupChange, GroupCoach, Groups, HandOver, Member, MembershipEnd, NewGroup, NewMembers,
    OwnGroup,
};
pub use hall::{
    HallCard, HallDevice, HallDevices, HallSeat, HallSession, HallSessions, NewHallDevice,
};
pub use ids::{ClubId, GroupId, KeyId, NoteId, PersonId, ResultId};
pub use keys::{
    Card, CardUse, CoachLine, CoachRole, Coaches, Ended, KeyLine, Keys, LinkedCoach, NewCoach,
    NewKey,
};
pub use notes::{NewNote, Note, NoteAbout, NoteReaders, Notes, NotesAsked};
pub use own::{ClubView, KeyRole, Look, Looks, Myself, OwnData};
pub use people::{NewPerson, People, PeopleAsked, Person, PersonChange, PersonLine};
pub use problem::{Problem, ProblemKind};
pub use results::{
    AllOut, HeardCall, Listed, Results, ResultsAsked, RuledBy, RuledResult, WholeResult,
};
pub use rulings::{FinishSaid, Ruled, TargetSaid};
pub use said::{EffortSaid, RankingSaid, Reasoned, ResultChange, Typing};
pub use sessions::{
    OpenSession, OpenSessions, RowedPiece, SessionLine, Sessions, SessionsAsked, WholeSession,
};
pub use tables::{
    ExportAsked, Imported, LineCounts, Looked, LookedLine, TableChosen, TableKind, TableSent,
    Verdict,
};

/// Lines in one answer, at most: an evening of hundreds, and little enough to be read at once.
pub const LISTED_MAX: u32 = 1_000;
/// As many when nothing is said.
pub const LISTED_USUAL: u32 = 100;
/// Characters of a note, at most: a page.
pub const NOTE_MAX: usize = 2_000;
/// People who are added to a group at once, at most, and who are in it.
pub const MEMBERS_MAX: usize = 300;
/// The most that a piece can have felt like.
pub const EFFORT_MAX: u8 = 10;
