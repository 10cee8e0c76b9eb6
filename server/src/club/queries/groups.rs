//! Groups, who is in them, and notes.

/// All texts by their names.
#[cfg(test)]
pub(super) const ALL: [(&str, &str); 13] = [
    ("groups", GROUPS),
    ("group", GROUP),
    ("coach of a group", COACH_OF_GROUP),
    ("new group", NEW_GROUP),
    ("members", MEMBERS),
    ("open memberships", OPEN_MEMBERSHIPS),
    ("memberships of one person in a group", MEMBERSHIPS),
    ("groups of a person", GROUPS_OF),
    ("note", NOTE),
    ("notes about a person", NOTES_ABOUT_PERSON),
    ("notes about a group", NOTES_ABOUT_GROUP),
    ("notes about a session", NOTES_ABOUT_SESSION),
    ("new note", NEW_NOTE),
];

/// Who has it, and whether they coach here no more.
macro_rules! groups {
    ($which:literal) => {
        concat!(
            "SELECT g.\"group\", g.called, g.coach, c.called, c.until_day IS NOT NULL FROM \"group\" AS g
             LEFT JOIN coach AS c ON c.club = g.club AND c.coach = g.coach
             WHERE g.club = $1 AND g.ended_day IS NULL",
            $which
        )
    };
}

pub(in crate::club) const GROUPS: &str = groups!(" ORDER BY g.\"group\"");

pub(in crate::club) const GROUP: &str = groups!(" AND g.\"group\" = $2");

/// Of one that was ended as well; nobody where the head coach has it.
pub(in crate::club) const COACH_OF_GROUP: &str = "
    SELECT c.coach FROM \"group\" AS g
    LEFT JOIN coach AS c ON c.club = g.club AND c.coach = g.coach AND c.until_day IS NULL
    WHERE g.club = $1 AND g.\"group\" = $2";

pub(in crate::club) const NEW_GROUP: &str =
    "INSERT INTO \"group\" (club, \"group\", called, coach) VALUES ($1, $2, $3, $4)";

/// Who is in it on a day, and who will be.
pub(in crate::club) const MEMBERS: &str = "
    SELECT m.person, p.called, m.from_day, m.until_day FROM membership AS m
    JOIN person AS p ON p.club = m.club AND p.person = m.person
    WHERE m.club = $1 AND m.\"group\" = $2 AND (m.until_day IS NULL OR m.until_day >= $3) AND p.going_unix_ms IS NULL
    ORDER BY p.folded, p.person, m.from_day";

/// Those that last beyond a day, people who are to be deleted among them.
pub(in crate::club) const OPEN_MEMBERSHIPS: &str = "SELECT person, from_day FROM membership
     WHERE club = $1 AND \"group\" = $2 AND (until_day IS NULL OR until_day > $3) ORDER BY person, from_day";

pub(in crate::club) const MEMBERSHIPS: &str = "SELECT from_day, until_day FROM membership
     WHERE club = $1 AND \"group\" = $2 AND person = $3 ORDER BY from_day DESC";

pub(in crate::club) const GROUPS_OF: &str = "
    SELECT m.\"group\", g.called, m.from_day, m.until_day FROM membership AS m
    JOIN \"group\" AS g ON g.club = m.club AND g.\"group\" = m.\"group\"
    WHERE m.club = $1 AND m.person = $2 ORDER BY m.from_day, m.\"group\"";

/// Whoever wrote it, whether they coach here no more, and the coach who has the group that it is about.
macro_rules! notes {
    ($which:literal) => {
        concat!(
            "SELECT n.note, n.person, n.\"group\", n.session, n.words, n.readers, n.said_unix_ms, n.coach, c.called,
                c.until_day IS NOT NULL, h.coach
             FROM note AS n
             LEFT JOIN coach AS c ON c.club = n.club AND c.coach = n.coach
             LEFT JOIN \"group\" AS g ON g.club = n.club AND g.\"group\" = n.\"group\"
             LEFT JOIN coach AS h ON h.club = g.club AND h.coach = g.coach AND h.until_day IS NULL
             WHERE n.club = $1 AND ",
            $which,
            " ORDER BY n.said_unix_ms DESC, n.note"
        )
    };
}

pub(in crate::club) const NOTE: &str = notes!("n.note = $2");

pub(in crate::club) const NOTES_ABOUT_PERSON: &str = notes!("n.person = $2");

pub(in crate::club) const NOTES_ABOUT_GROUP: &str = notes!("n.\"group\" = $2");

pub(in crate::club) const NOTES_ABOUT_SESSION: &str = notes!("n.session = $2");

pub(in crate::club) const NEW_NOTE: &str =
    "INSERT INTO note (club, note, coach, person, \"group\", session, words, readers, said_unix_ms)
     VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";
