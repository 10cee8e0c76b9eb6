//! Sessions in which something was rowed, and one result whole.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 10] = [
    ("begin of a session", BEGIN_OF_SESSION),
    ("put session", PUT_SESSION),
    ("remove session", REMOVE_SESSION),
    ("instants of sessions", SESSION_INSTANTS),
    ("set day of session", SET_SESSION_DAY),
    ("sessions", SESSIONS),
    ("session", SESSION),
    ("rest of a result", REST_OF_RESULT),
    ("splits", SPLITS),
    ("counts", COUNTS),
];

/// The go of its first piece.
pub(in crate::club) const BEGIN_OF_SESSION: &str =
    "SELECT min(at_unix_ms) FROM result WHERE club = $1 AND session = $2 AND source = 'piece'";

pub(in crate::club) const PUT_SESSION: &str = "
    INSERT INTO session (club, session, title, day, at_unix_ms) VALUES ($1, $2, $3, $4, $5)
    ON CONFLICT (club, session) DO UPDATE SET
        title = excluded.title, day = excluded.day, at_unix_ms = excluded.at_unix_ms";

pub(in crate::club) const REMOVE_SESSION: &str =
    "DELETE FROM session WHERE club = $1 AND session = $2";

pub(in crate::club) const SESSION_INSTANTS: &str =
    "SELECT session, at_unix_ms FROM session WHERE club = $1 ORDER BY session";

pub(in crate::club) const SET_SESSION_DAY: &str =
    "UPDATE session SET day = $1 WHERE club = $2 AND session = $3";

macro_rules! session_lines {
    ($rest:literal) => {
        concat!(
            "SELECT s.session, s.day, s.at_unix_ms, s.title,
                (SELECT count(DISTINCT r.piece) FROM result AS r WHERE r.club = s.club AND r.session = s.session),
                (SELECT count(DISTINCT r.seat) FROM result AS r WHERE r.club = s.club AND r.session = s.session),
                (SELECT count(*) FROM result AS r WHERE r.club = s.club AND r.session = s.session)
             FROM session AS s WHERE s.club = $1 AND ",
            $rest
        )
    };
}

pub(in crate::club) const SESSIONS: &str = session_lines!(
    "s.day >= $2 AND (s.day, s.at_unix_ms, s.session) < ($3, $4, $5)
     ORDER BY s.day DESC, s.at_unix_ms DESC, s.session DESC LIMIT $6"
);

pub(in crate::club) const SESSION: &str = session_lines!("s.session = $2");

pub(in crate::club) const REST_OF_RESULT: &str =
    "SELECT repeats, sure_ms, sure_dm, aim, plan, strokes, calls, reason
     FROM result WHERE club = $1 AND result = $2";

pub(in crate::club) const SPLITS: &str =
    "SELECT distance_dm, time_ms FROM split WHERE club = $1 AND result = $2 ORDER BY nth";

pub(in crate::club) const COUNTS: &str = "SELECT
    (SELECT count(*) FROM person AS p WHERE p.club = c.club AND p.merged_into IS NULL AND p.going_unix_ms IS NULL),
    (SELECT count(*) FROM session AS s WHERE s.club = c.club),
    (SELECT count(*) FROM result AS r WHERE r.club = c.club)
    FROM club AS c WHERE c.club = $1";
