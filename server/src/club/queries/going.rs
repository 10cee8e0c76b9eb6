//! Who is to be gone, and what of people goes.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 33] = [
    ("go", GO),
    ("go now", GO_NOW),
    ("keep", KEEP),
    ("waits", SET_WAITS),
    ("somebody who goes", GOING),
    ("all who go", ALL_GOING),
    ("entries of one person", ENTRIES),
    ("called the same", CALLED_SAME),
    ("days until gone", DELETE_AFTER),
    ("seats of a person", SEATS_OF),
    ("seat of an athlete", SEAT_OF_ATHLETE),
    ("results of a person", RESULTS_OF),
    ("empty seat", EMPTY_SEAT),
    ("empty piece", EMPTY_PIECE),
    ("forget who came", FORGET_CAME),
    ("nameless results", NAMELESS),
    ("new tombstone", NEW_TOMBSTONE),
    ("deeds at a result", DEEDS_AT_RESULT),
    ("deeds at a row", DEEDS_AT_ROW),
    ("deed of somebody who goes", DEED_OF_GOING),
    ("deeds by somebody", NOBODY_DID),
    ("undone by somebody", NOBODY_UNDID),
    ("answers to somebody", FORGET_ANSWERS),
    ("looks by somebody", FORGET_LOOKS),
    ("set traces", SET_TRACES),
    ("traces", TRACES),
    ("ended keys", ENDED),
    ("end any key", END_ANY_KEY),
    ("end any card", END_ANY_CARD),
    ("end all keys", END_ALL_KEYS),
    ("end all cards", END_ALL_CARDS),
    ("withdraw consent", WITHDRAW),
    ("results of a seat", RESULTS_OF_SEAT),
];

/// What is said of somebody who goes. `going_by` is the identity of a coach or person, or another word.
macro_rules! going {
    ($which:literal) => {
        concat!(
            "SELECT p.person, p.called, p.going_asked_unix_ms, p.going_unix_ms, COALESCE(c.called, p.going_by), p.going_by,
                p.going_waits
             FROM person AS p LEFT JOIN coach AS c ON c.club = p.club AND c.coach = p.going_by
             WHERE p.club = $1 AND p.going_unix_ms IS NOT NULL AND ",
            $which
        )
    };
}

pub(in crate::club) const GOING: &str = going!("p.person = $2 AND p.merged_into IS NULL");

/// Those whose time comes before this, first the one whose is next.
pub(in crate::club) const ALL_GOING: &str =
    going!("p.going_unix_ms <= $2 AND p.merged_into IS NULL ORDER BY p.going_unix_ms, p.person");

pub(in crate::club) const GO: &str = "
    UPDATE person SET going_unix_ms = $1, going_asked_unix_ms = $2, going_by = $3, going_waits = NULL
    WHERE club = $4 AND (person = $5 OR merged_into = $5) AND going_unix_ms IS NULL";

pub(in crate::club) const GO_NOW: &str = "UPDATE person SET going_unix_ms = $1
     WHERE club = $2 AND (person = $3 OR merged_into = $3) AND going_unix_ms > $1";

pub(in crate::club) const KEEP: &str = "
    UPDATE person SET going_unix_ms = NULL, going_asked_unix_ms = NULL, going_by = NULL, going_waits = NULL
    WHERE club = $1 AND (person = $2 OR merged_into = $2)";

pub(in crate::club) const SET_WAITS: &str =
    "UPDATE person SET going_waits = $1 WHERE club = $2 AND person = $3";

/// A person, and whoever was joined with them.
pub(in crate::club) const ENTRIES: &str = "
    SELECT person FROM person WHERE club = $1 AND person = $2
    UNION ALL SELECT person FROM person WHERE club = $1 AND merged_into = $2";

/// Somebody else by the name of somebody who goes.
pub(in crate::club) const CALLED_SAME: &str = "
    SELECT o.person FROM person AS p JOIN person AS o ON o.club = p.club AND o.folded = p.folded AND o.person <> p.person
    WHERE p.club = $1 AND p.person = $2 AND o.merged_into IS NULL AND o.going_unix_ms IS NULL LIMIT 1";

pub(in crate::club) const DELETE_AFTER: &str = "SELECT delete_after_days FROM club WHERE club = $1";

pub(in crate::club) const SEATS_OF: &str = "SELECT session, seat, athlete FROM seat WHERE club = $1 AND person = $2 ORDER BY session, seat";

pub(in crate::club) const SEAT_OF_ATHLETE: &str =
    "SELECT session, seat, athlete FROM seat WHERE club = $1 AND session = $2 AND athlete = $3";

pub(in crate::club) const RESULTS_OF: &str =
    "SELECT result FROM result WHERE club = $1 AND person = $2 ORDER BY result";

pub(in crate::club) const EMPTY_SEAT: &str = "
    UPDATE seat SET athlete = NULL, person = NULL, given_unix_ms = NULL, came_as = NULL, tombstone = $1
    WHERE club = $2 AND session = $3 AND seat = $4";

/// Of seats that are another's by now.
pub(in crate::club) const FORGET_CAME: &str =
    "UPDATE seat SET came_as = NULL WHERE club = $1 AND came_as = $2";

pub(in crate::club) const EMPTY_PIECE: &str = "UPDATE given_piece SET person = NULL, tombstone = $1
     WHERE club = $2 AND session = $3 AND seat = $4 AND piece = $5";

/// Others' results that were rowed in somebody's seat, under their name.
pub(in crate::club) const NAMELESS: &str = "UPDATE result SET called = NULL, folded = ''
     WHERE club = $1 AND session = $2 AND seat = $3";

pub(in crate::club) const NEW_TOMBSTONE: &str =
    "INSERT INTO tombstone (club, tombstone, what, day) VALUES ($1, $2, $3, $4)";

/// Which deeds have changed a row.
pub(in crate::club) const DEEDS_AT_ROW: &str = "SELECT DISTINCT deed FROM changed_row
     WHERE club = $1 AND of_table = $2 AND of_row = $3";

pub(in crate::club) const DEED_OF_GOING: &str = "
    SELECT d.person FROM deed_person AS d JOIN person AS p ON p.club = d.club AND p.person = d.person
    WHERE d.club = $1 AND d.deed = $2 AND p.going_unix_ms IS NOT NULL LIMIT 1";

pub(in crate::club) const DEEDS_AT_RESULT: &str =
    "UPDATE deed SET result = NULL WHERE club = $1 AND result = $2";

pub(in crate::club) const NOBODY_DID: &str =
    "UPDATE deed SET who = $1 WHERE club = $2 AND who = $3";

pub(in crate::club) const NOBODY_UNDID: &str =
    "UPDATE deed SET undone_by = $1 WHERE club = $2 AND undone_by = $3";

pub(in crate::club) const FORGET_ANSWERS: &str =
    "DELETE FROM kept_answer WHERE club = $1 AND asker = $2";

pub(in crate::club) const FORGET_LOOKS: &str = "DELETE FROM looked WHERE club = $1 AND who = $2";

pub(in crate::club) const SET_TRACES: &str = "UPDATE club SET has_traces = $1 WHERE club = $2";

pub(in crate::club) const TRACES: &str = "SELECT has_traces FROM club WHERE club = $1";

/// Results of a seat, but for pieces that were given to somebody else.
pub(in crate::club) const RESULTS_OF_SEAT: &str = "
    SELECT r.result FROM result AS r WHERE r.club = $1 AND r.session = $2 AND r.seat = $3 AND NOT EXISTS (
        SELECT 1 FROM given_piece AS g
        WHERE g.club = r.club AND g.session = r.session AND g.seat = r.seat AND g.piece = r.piece
    ) ORDER BY r.result";

/// Keys that were ended, cards that were ended or used, and consents that were withdrawn.
pub(in crate::club) const ENDED: &str = "
    SELECT 'key', key FROM key WHERE club = $1 AND ended_unix_ms IS NOT NULL
    UNION ALL SELECT 'key', card FROM card WHERE club = $1 AND (ended_unix_ms IS NOT NULL OR key IS NOT NULL)
    UNION ALL SELECT 'consent', consent FROM consent WHERE club = $1 AND withdrawn_day IS NOT NULL";

/// Whosever it is.
pub(in crate::club) const END_ANY_KEY: &str =
    "UPDATE key SET ended_unix_ms = $1 WHERE club = $2 AND key = $3 AND ended_unix_ms IS NULL";

pub(in crate::club) const END_ALL_KEYS: &str =
    "UPDATE key SET ended_unix_ms = $1 WHERE club = $2 AND ended_unix_ms IS NULL";

pub(in crate::club) const END_ANY_CARD: &str = "UPDATE card SET ended_unix_ms = $1
     WHERE club = $2 AND card = $3 AND key IS NULL AND ended_unix_ms IS NULL";

pub(in crate::club) const END_ALL_CARDS: &str = "UPDATE card SET ended_unix_ms = $1
     WHERE club = $2 AND key IS NULL AND ended_unix_ms IS NULL";

pub(in crate::club) const WITHDRAW: &str = "UPDATE consent SET withdrawn_day = $1
     WHERE club = $2 AND consent = $3 AND withdrawn_day IS NULL";
