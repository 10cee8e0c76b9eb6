//! Who came.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 8] = [
    ("rowed in a session", ROWED_IN),
    ("said in a session", SAID_IN),
    ("members on a day", MEMBERS_ON),
    ("first piece of a session", FIRST_PIECE),
    ("rowed by a person", ROWED_BY_PERSON),
    ("said of a person", SAID_OF_PERSON),
    ("say attendance", SAY_ATTENDANCE),
    ("take back attendance", TAKE_BACK_ATTENDANCE),
];

pub(in crate::club) const FIRST_PIECE: &str =
    "SELECT min(piece) FROM result WHERE club = $1 AND session = $2";

/// Of people, those who never started among them.
pub(in crate::club) const ROWED_IN: &str = "
    SELECT r.person, p.called, r.piece, r.outcome, r.marks FROM result AS r
    JOIN person AS p ON p.club = r.club AND p.person = r.person
    WHERE r.club = $1 AND r.session = $2 AND p.going_unix_ms IS NULL ORDER BY r.result";

pub(in crate::club) const SAID_IN: &str = "
    SELECT a.person, p.called, a.state, COALESCE(c.called, q.called, a.said_by), a.said_unix_ms FROM attendance AS a
    JOIN person AS p ON p.club = a.club AND p.person = a.person
    LEFT JOIN coach AS c ON c.club = a.club AND c.coach = a.said_by
    LEFT JOIN person AS q ON q.club = a.club AND q.person = a.said_by
    WHERE a.club = $1 AND a.session = $2 AND p.going_unix_ms IS NULL ORDER BY a.person, a.day";

pub(in crate::club) const MEMBERS_ON: &str = "
    SELECT m.person, p.called FROM membership AS m
    JOIN person AS p ON p.club = m.club AND p.person = m.person
    WHERE m.club = $1 AND m.\"group\" = $2 AND m.from_day <= $3 AND (m.until_day IS NULL OR m.until_day >= $3)
        AND p.going_unix_ms IS NULL ORDER BY m.person";

pub(in crate::club) const ROWED_BY_PERSON: &str = "
    SELECT r.session, s.day, s.title, r.piece, r.outcome, r.marks,
        (SELECT min(f.piece) FROM result AS f WHERE f.club = r.club AND f.session = r.session)
    FROM result AS r JOIN session AS s ON s.club = r.club AND s.session = r.session
    WHERE r.club = $1 AND r.person = $2 ORDER BY r.day, r.result";

/// Of a session in which nothing was rowed as well.
pub(in crate::club) const SAID_OF_PERSON: &str = "
    SELECT a.session, COALESCE(s.day, a.day), COALESCE(s.title, ''), a.state, COALESCE(c.called, q.called, a.said_by), a.said_unix_ms
    FROM attendance AS a
    LEFT JOIN session AS s ON s.club = a.club AND s.session = a.session
    LEFT JOIN coach AS c ON c.club = a.club AND c.coach = a.said_by
    LEFT JOIN person AS q ON q.club = a.club AND q.person = a.said_by
    WHERE a.club = $1 AND a.person = $2 AND a.session <> '' ORDER BY a.day";

pub(in crate::club) const TAKE_BACK_ATTENDANCE: &str =
    "DELETE FROM attendance WHERE club = $1 AND session = $2 AND person = $3";

pub(in crate::club) const SAY_ATTENDANCE: &str =
    "INSERT INTO attendance (club, person, day, session, state, said_by, said_unix_ms)
     VALUES ($1, $2, $3, $4, $5, $6, $7)";
