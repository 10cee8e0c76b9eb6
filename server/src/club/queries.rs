//! What is asked of the store, each text once: SQL that PostgreSQL understands as well. Parameters are numbered in the order in
//! which they are first named, for SQLite counts them so, whatever their numbers. Every text names its club.

mod asked;
mod attendance;
mod going;
mod groups;
mod keys;
mod retention;
mod sessions;

pub(super) use asked::*;
pub(super) use attendance::*;
pub(super) use going::*;
pub(super) use groups::*;
pub(super) use keys::*;
pub(super) use retention::*;
pub(super) use sessions::*;

/// All texts of this file by their names, so that a test can look at how each is carried out.
#[cfg(test)]
const OWN: [(&str, &str); 65] = [
    ("club", CLUB),
    ("new club", NEW_CLUB),
    ("set name", SET_NAME),
    ("set zone", SET_ZONE),
    ("epoch", EPOCH),
    ("set epoch", SET_EPOCH),
    ("nothing taken", NOTHING_TAKEN),
    ("positions", POSITIONS),
    ("position", POSITION),
    ("set position", SET_POSITION),
    ("seat", SEAT),
    ("put seat", PUT_SEAT),
    ("newest revision", NEWEST_REVISION),
    ("results of a piece", OF_PIECE),
    ("results of a session", OF_SESSION),
    ("put result", PUT_RESULT),
    ("remove result", REMOVE_RESULT),
    ("remove splits", REMOVE_SPLITS),
    ("put split", PUT_SPLIT),
    ("people", PEOPLE),
    ("person by name", CALLED),
    ("new person", NEW_PERSON),
    ("results by day", BY_DAY),
    ("results by work", BY_WORK),
    ("results by person", BY_PERSON),
    ("results by guest", BY_GUEST),
    ("results by session", BY_SESSION),
    ("result by its beginning", BEGINS_WITH),
    ("give seat", GIVE_SEAT),
    ("results follow their seat", RESULTS_FOLLOW),
    ("give piece", GIVE_PIECE),
    ("give result", GIVE_RESULT),
    ("owner of a result", RESULT_OWNER),
    ("is a person", IS_PERSON),
    ("instants", INSTANTS),
    ("set day", SET_DAY),
    ("results apart from their seats", APART),
    ("newest deed", NEWEST_DEED),
    ("new deed", NEW_DEED),
    ("new person of a deed", NEW_DEED_PERSON),
    ("new changed row", NEW_CHANGED_ROW),
    ("deed", DEED),
    ("deeds", DEEDS),
    ("names of a deed", DEED_NAMES),
    ("changed rows", CHANGED_ROWS),
    ("later deed", LATER_DEED),
    ("deed is undone", DEED_IS_UNDONE),
    ("old deeds", OLD_DEEDS),
    ("deeds of a person", DEEDS_OF_PERSON),
    ("forget rows", FORGET_ROWS),
    ("forget people of a deed", FORGET_DEED_PEOPLE),
    ("deed is forgotten", DEED_IS_FORGOTTEN),
    ("new result", NEW_RESULT),
    ("same result", SAME_RESULT),
    ("correct result", CORRECT_RESULT),
    ("said result", SAID_RESULT),
    ("rank result", RANK_RESULT),
    ("splits of a result", SPLITS_OF),
    ("candidates for a best", CANDIDATES),
    ("is a result", IS_RESULT),
    ("table of people", TABLE_OF_PEOPLE),
    ("table of results", TABLE_OF_RESULTS),
    ("table of splits", TABLE_OF_SPLITS),
    ("import person", IMPORT_PERSON),
    ("change person", CHANGE_PERSON),
];

/// The one club of this file.
pub(super) const CLUB: &str = "SELECT club, name, zone FROM club ORDER BY club LIMIT 1";

pub(super) const NEW_CLUB: &str = "INSERT INTO club (club, zone) VALUES ($1, $2)";

pub(super) const SET_NAME: &str = "UPDATE club SET name = $1 WHERE club = $2";
pub(super) const SET_ZONE: &str = "UPDATE club SET zone = $1 WHERE club = $2";

pub(super) const EPOCH: &str = "SELECT journal_epoch FROM club WHERE club = $1";

pub(super) const SET_EPOCH: &str = "UPDATE club SET journal_epoch = $1 WHERE club = $2";

pub(super) const NOTHING_TAKEN: &str = "DELETE FROM taken WHERE club = $1";

pub(super) const POSITIONS: &str =
    "SELECT session, position FROM taken WHERE club = $1 ORDER BY session";

pub(super) const POSITION: &str = "SELECT position FROM taken WHERE club = $1 AND session = $2";

pub(super) const SET_POSITION: &str =
    "INSERT INTO taken (club, session, position) VALUES ($1, $2, $3)
     ON CONFLICT (club, session) DO UPDATE SET position = excluded.position";

/// Who sat there, whose that seat is, whether this piece alone is another's, and whose; whether whoever had it is gone.
pub(super) const SEAT: &str = "
    SELECT s.athlete, s.person, g.seat IS NOT NULL, g.person,
        CASE WHEN g.seat IS NULL THEN s.tombstone ELSE g.tombstone END
    FROM seat AS s
    LEFT JOIN given_piece AS g ON g.club = s.club AND g.session = s.session AND g.seat = s.seat AND g.piece = $1
    WHERE s.club = $2 AND s.session = $3 AND s.seat = $4";

/// Who has a seat is said once, and who came to it by a key is given it once; nobody takes it over.
pub(super) const PUT_SEAT: &str =
    "INSERT INTO seat (club, session, seat, athlete, person, came_as) VALUES ($1, $2, $3, $4, $5, $5)
     ON CONFLICT (club, session, seat) DO UPDATE SET athlete = COALESCE(seat.athlete, excluded.athlete),
        person = CASE WHEN seat.came_as IS NULL THEN COALESCE(seat.person, excluded.person) ELSE seat.person END,
        came_as = COALESCE(seat.came_as, excluded.came_as)";

pub(super) const NEWEST_REVISION: &str = "SELECT max(revision) FROM result
     WHERE club = $1 AND session = $2 AND piece = $3";

pub(super) const OF_PIECE: &str = "SELECT result FROM result WHERE club = $1 AND session = $2 AND piece = $3 AND source = 'piece' ORDER BY result";

pub(super) const OF_SESSION: &str = "SELECT result FROM result WHERE club = $1 AND session = $2 AND source = 'piece' ORDER BY result";

/// Everything that a journal says is put anew; what people have said of a result stays.
pub(super) const PUT_RESULT: &str = "
    INSERT INTO result (
        club, result, person, called, folded, source, session, piece, seat, revision, day, at_unix_ms, title, work,
        repeats, outcome, place, team, time_ms, distance_dm, sure_ms, sure_dm, shown, aim, plan, target, margin, strokes,
        marks, calls, is_official, official, ruling, corrections, corrected_from, reason
    ) VALUES (
        $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24,
        $25, $26, $27, $28, $29, $30, $31, $32, $33, $34, $35, $36
    )
    ON CONFLICT (club, result) DO UPDATE SET
        person = excluded.person, called = COALESCE(excluded.called, result.called),
        folded = CASE WHEN excluded.called IS NULL THEN result.folded ELSE excluded.folded END,
        source = excluded.source, session = excluded.session, piece = excluded.piece, seat = excluded.seat,
        revision = excluded.revision, day = excluded.day, at_unix_ms = excluded.at_unix_ms, title = excluded.title,
        work = excluded.work, repeats = excluded.repeats, outcome = excluded.outcome, place = excluded.place,
        team = excluded.team, time_ms = excluded.time_ms, distance_dm = excluded.distance_dm,
        sure_ms = excluded.sure_ms, sure_dm = excluded.sure_dm, shown = excluded.shown, aim = excluded.aim,
        plan = excluded.plan, target = excluded.target, margin = excluded.margin, strokes = excluded.strokes,
        marks = excluded.marks, calls = excluded.calls, is_official = excluded.is_official,
        official = excluded.official, ruling = excluded.ruling, corrections = excluded.corrections,
        corrected_from = excluded.corrected_from, reason = excluded.reason";

pub(super) const REMOVE_RESULT: &str = "DELETE FROM result WHERE club = $1 AND result = $2";

pub(super) const REMOVE_SPLITS: &str = "DELETE FROM split WHERE club = $1 AND result = $2";

pub(super) const PUT_SPLIT: &str =
    "INSERT INTO split (club, result, nth, distance_dm, time_ms) VALUES ($1, $2, $3, $4, $5)";

pub(super) const PEOPLE: &str = "
    SELECT p.person, p.called, p.born_year, p.merged_into, p.hall_name,
        (SELECT count(*) FROM result AS r WHERE r.club = p.club AND r.person = p.person),
        (SELECT max(r.day) FROM result AS r WHERE r.club = p.club AND r.person = p.person)
    FROM person AS p WHERE p.club = $1 AND p.folded LIKE $2 ESCAPE '!' AND p.merged_into IS NULL
        AND p.going_unix_ms IS NULL ORDER BY p.folded, p.person";

pub(super) const CALLED: &str = "SELECT person FROM person WHERE club = $1 AND folded = $2 AND merged_into IS NULL AND going_unix_ms IS NULL ORDER BY person LIMIT 1";

pub(super) const NEW_PERSON: &str = "INSERT INTO person (club, person, called, folded, born_year, added_unix_ms) VALUES ($1, $2, $3, $4, $5, $6)";

/// What a line of a list says of a result.
macro_rules! listed {
    ($by:literal) => {
        concat!(
            "SELECT r.result, r.person, p.called, r.called, r.source, r.session, r.piece, r.seat, r.revision, r.day,
                r.at_unix_ms, r.title, r.work, r.outcome, r.place, r.team, r.time_ms, r.distance_dm, r.shown, r.target,
                r.margin, r.marks, r.all_out, r.is_official, r.official, r.ruling, r.corrections,
                (SELECT e.felt FROM effort AS e WHERE e.club = r.club AND e.result = r.result)
             FROM result AS r LEFT JOIN person AS p ON p.club = r.club AND p.person = r.person WHERE ",
            $by,
            " ORDER BY r.day DESC, r.result DESC LIMIT "
        )
    };
}

pub(super) const BY_DAY: &str = concat!(
    listed!(
        "r.club = $1 AND r.day >= $2 AND (r.day, r.result) < ($3, $4) AND p.going_unix_ms IS NULL"
    ),
    "$5"
);

pub(super) const BY_WORK: &str = concat!(
    listed!(
        "r.club = $1 AND r.work = $2 AND r.day >= $3 AND (r.day, r.result) < ($4, $5) AND p.going_unix_ms IS NULL"
    ),
    "$6"
);

pub(super) const BY_SESSION: &str = concat!(
    listed!(
        "r.club = $1 AND r.session = $2 AND r.day >= $3 AND (r.day, r.result) < ($4, $5) AND ($6 = '' OR r.work = $6)
         AND p.going_unix_ms IS NULL"
    ),
    "$7"
);

pub(super) const BY_PERSON: &str = concat!(
    listed!(
        "r.club = $1 AND r.person = $2 AND r.day >= $3 AND (r.day, r.result) < ($4, $5) AND ($6 = '' OR r.work = $6)
         AND ($7 = '' OR r.session = $7) AND ($8 = 'themselves' OR p.going_unix_ms IS NULL)"
    ),
    "$9"
);

pub(super) const BY_GUEST: &str = concat!(
    listed!(
        "r.club = $1 AND r.person IS NULL AND r.folded LIKE $2 ESCAPE '!' AND r.day >= $3
         AND (r.day, r.result) < ($4, $5) AND ($6 = '' OR r.work = $6) AND ($7 = '' OR r.session = $7)"
    ),
    "$8"
);

pub(super) const BEGINS_WITH: &str = concat!(
    listed!(
        "r.club = $1 AND r.result >= $2 AND r.result <= $3 AND ($4 = 'themselves' OR p.going_unix_ms IS NULL)"
    ),
    "$5"
);

pub(super) const GIVE_SEAT: &str = "UPDATE seat SET person = $1, given_unix_ms = $2 WHERE club = $3 AND session = $4 AND seat = $5";

/// The results of a seat are of whom the seat is, but for pieces that are another's.
pub(super) const RESULTS_FOLLOW: &str = "
    UPDATE result SET person = (
        SELECT CASE WHEN g.seat IS NULL THEN s.person ELSE g.person END FROM seat AS s
        LEFT JOIN given_piece AS g ON g.club = s.club AND g.session = s.session AND g.seat = s.seat AND g.piece = result.piece
        WHERE s.club = result.club AND s.session = result.session AND s.seat = result.seat
    )
    WHERE club = $1 AND session = $2 AND seat = $3 AND source = 'piece'";

pub(super) const GIVE_PIECE: &str =
    "INSERT INTO given_piece (club, session, seat, piece, person) VALUES ($1, $2, $3, $4, $5)
     ON CONFLICT (club, session, seat, piece) DO UPDATE SET person = excluded.person";

/// Of a result that no session has.
pub(super) const GIVE_RESULT: &str =
    "UPDATE result SET person = $1 WHERE club = $2 AND result = $3 AND source <> 'piece'";

pub(super) const RESULT_OWNER: &str =
    "SELECT person FROM result WHERE club = $1 AND result = $2 AND source <> 'piece'";

pub(super) const IS_PERSON: &str =
    "SELECT merged_into, going_unix_ms IS NOT NULL FROM person WHERE club = $1 AND person = $2";

/// What has an instant has its day by the club's time zone.
pub(super) const INSTANTS: &str = "SELECT result, at_unix_ms, day FROM result WHERE club = $1 AND at_unix_ms IS NOT NULL ORDER BY result";

pub(super) const SET_DAY: &str = "UPDATE result SET day = $1 WHERE club = $2 AND result = $3";

/// Results that are not of the person to whom their seat was given.
pub(super) const APART: &str = "
    SELECT r.result FROM result AS r
    JOIN seat AS s ON s.club = r.club AND s.session = r.session AND s.seat = r.seat
    LEFT JOIN given_piece AS g ON g.club = s.club AND g.session = s.session AND g.seat = s.seat AND g.piece = r.piece
    WHERE r.club = $1 AND r.source = 'piece'
        AND r.person IS DISTINCT FROM CASE WHEN g.seat IS NULL THEN s.person ELSE g.person END ORDER BY r.result";

pub(super) const NEWEST_DEED: &str = "SELECT max(deed) FROM deed WHERE club = $1";

pub(super) const NEW_DEED: &str = "INSERT INTO deed (club, deed, kind, who, at_unix_ms, result, reason, \"group\", to_coach) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)";

pub(super) const NEW_DEED_PERSON: &str =
    "INSERT INTO deed_person (club, deed, nth, person) VALUES ($1, $2, $3, $4)";

pub(super) const NEW_CHANGED_ROW: &str = "INSERT INTO changed_row (club, deed, nth, of_table, of_row, before, after) VALUES ($1, $2, $3, $4, $5, $6, $7)";

pub(super) const DEED: &str =
    "SELECT at_unix_ms, undone_unix_ms, is_kept FROM deed WHERE club = $1 AND deed = $2";

pub(super) const DEEDS: &str = "
    SELECT d.deed, d.kind, COALESCE(c.called, d.who), d.at_unix_ms, d.result, d.reason, d.undone_unix_ms,
        COALESCE(u.called, d.undone_by), d.is_kept,
        (SELECT count(*) FROM changed_row AS r WHERE r.club = d.club AND r.deed = d.deed), d.\"group\", g.called, t.called
    FROM deed AS d
    LEFT JOIN \"group\" AS g ON g.club = d.club AND g.\"group\" = d.\"group\"
    LEFT JOIN coach AS t ON t.club = d.club AND t.coach = d.to_coach
    LEFT JOIN coach AS c ON c.club = d.club AND c.coach = d.who
    LEFT JOIN coach AS u ON u.club = d.club AND u.coach = d.undone_by
    WHERE d.club = $1 AND d.deed < $2 ORDER BY d.deed DESC LIMIT $3";

pub(super) const DEED_NAMES: &str = "
    SELECT p.called FROM deed_person AS d JOIN person AS p ON p.club = d.club AND p.person = d.person
    WHERE d.club = $1 AND d.deed = $2 AND p.going_unix_ms IS NULL ORDER BY d.nth";

pub(super) const CHANGED_ROWS: &str = "SELECT of_table, of_row, before, after FROM changed_row WHERE club = $1 AND deed = $2 ORDER BY nth";

/// Something that was done later to a row that this one has changed, and still stands.
pub(super) const LATER_DEED: &str = "
    SELECT max(l.deed) FROM changed_row AS c
    JOIN changed_row AS l ON l.club = c.club AND l.of_table = c.of_table AND l.of_row = c.of_row AND l.deed > c.deed
    JOIN deed AS d ON d.club = l.club AND d.deed = l.deed AND d.undone_unix_ms IS NULL
    WHERE c.club = $1 AND c.deed = $2";

pub(super) const DEED_IS_UNDONE: &str =
    "UPDATE deed SET undone_unix_ms = $1, undone_by = $2 WHERE club = $3 AND deed = $4";

pub(super) const OLD_DEEDS: &str =
    "SELECT deed FROM deed WHERE club = $1 AND at_unix_ms < $2 AND is_kept = 1 ORDER BY at_unix_ms";

pub(super) const DEEDS_OF_PERSON: &str =
    "SELECT DISTINCT deed FROM deed_person WHERE club = $1 AND person = $2 ORDER BY deed";

pub(super) const FORGET_ROWS: &str = "DELETE FROM changed_row WHERE club = $1 AND deed = $2";

pub(super) const FORGET_DEED_PEOPLE: &str = "DELETE FROM deed_person WHERE club = $1 AND deed = $2";

pub(super) const DEED_IS_FORGOTTEN: &str =
    "UPDATE deed SET is_kept = 0, reason = NULL WHERE club = $1 AND deed = $2";

/// A result that no session has.
pub(super) const NEW_RESULT: &str = "
    INSERT INTO result (
        club, result, person, called, folded, source, session, piece, day, at_unix_ms, machine, title, work, repeats, outcome, place,
        team, time_ms, distance_dm, sure_ms, sure_dm, shown, plan, target, margin, strokes, marks, all_out, rate_half_spm, ranked,
        corrected_from, reason, first_source, is_official, ruling
    ) VALUES (
        $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24, $25, $26, $27,
        $28, $29, $30, $31, $32, $33, $34, $35
    )";

/// The same, of the same person, on the same day.
pub(super) const SAME_RESULT: &str = "SELECT result FROM result
     WHERE club = $1 AND person = $2 AND day = $3 AND work = $4 AND time_ms = $5 AND distance_dm = $6 ORDER BY result LIMIT 1";

pub(super) const CORRECT_RESULT: &str = "
    UPDATE result SET day = $1, machine = $2, title = $3, work = $4, repeats = $5, time_ms = $6, distance_dm = $7, shown = $8,
        rate_half_spm = $9, corrected_from = COALESCE(corrected_from, $10), reason = $11
    WHERE club = $12 AND result = $13 AND source <> 'piece'";

/// What can be corrected of a result that no session has.
pub(super) const SAID_RESULT: &str =
    "SELECT person, day, repeats, time_ms, distance_dm, rate_half_spm, machine, title FROM result
     WHERE club = $1 AND result = $2 AND source <> 'piece' AND outcome = 'finished'";

pub(super) const RANK_RESULT: &str =
    "UPDATE result SET ranked = $1 WHERE club = $2 AND result = $3 AND source <> 'piece'";

pub(super) const SPLITS_OF: &str =
    "SELECT nth FROM split WHERE club = $1 AND result = $2 ORDER BY nth";

pub(super) const IS_RESULT: &str = "SELECT person FROM result WHERE club = $1 AND result = $2";

pub(super) const TABLE_OF_PEOPLE: &str =
    "SELECT person, called, born_year, spoken, language, units, hall_name, merged_into FROM person
     WHERE club = $1 AND going_unix_ms IS NULL ORDER BY folded, person";

pub(super) const TABLE_OF_RESULTS: &str = "
    SELECT r.result, r.person, p.called, r.called, r.source, r.day, r.at_unix_ms, r.machine, r.title, r.repeats, r.outcome, r.place,
        r.team, r.time_ms, r.distance_dm, r.sure_ms, r.sure_dm, r.target, r.strokes, r.marks, r.all_out, r.rate_half_spm, r.ranked,
        r.corrected_from, r.reason, r.first_source, r.is_official, r.ruling
    FROM result AS r LEFT JOIN person AS p ON p.club = r.club AND p.person = r.person
    WHERE r.club = $1 AND p.going_unix_ms IS NULL ORDER BY r.day, r.result";

pub(super) const TABLE_OF_SPLITS: &str =
    "SELECT result, distance_dm, time_ms FROM split WHERE club = $1 ORDER BY result, nth";

pub(super) const IMPORT_PERSON: &str = "
    INSERT INTO person (club, person, called, folded, born_year, spoken, language, units, hall_name, added_unix_ms)
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)";

/// What a file does not say stays.
pub(super) const CHANGE_PERSON: &str = "
    UPDATE person SET called = $1, folded = $2, born_year = COALESCE($3, born_year), spoken = COALESCE($4, spoken),
        language = COALESCE($5, language), units = COALESCE($6, units), hall_name = COALESCE($7, hall_name)
    WHERE club = $8 AND person = $9";

/// What may be a best of somebody.
pub(super) const CANDIDATES: &str = "
    SELECT result, work, machine, day, outcome, shown, marks, source, ruling FROM result
    WHERE club = $1 AND person = $2 AND outcome = 'finished' ORDER BY day, result";
#[cfg(test)]
mod tests {
    use super::*;
    use crate::club::{
        season::{self, listed},
        store::{Store, Wanted, kept_rows},
    };

    fn all() -> impl Iterator<Item = (&'static str, &'static str)> {
        OWN.into_iter()
            .chain(super::asked::ALL)
            .chain(super::attendance::ALL)
            .chain(super::going::ALL)
            .chain(super::groups::ALL)
            .chain(super::keys::ALL)
            .chain(super::retention::ALL)
            .chain(super::sessions::ALL)
    }

    /// What a person waits for; each has to come in its order out of an index.
    const LISTS: [&str; 5] = [BY_DAY, BY_WORK, BY_PERSON, PEOPLE, SESSIONS];

    #[test]
    fn each_text_names_its_club_and_its_parameters_in_the_order_of_their_first_use() {
        for (name, sql) in all() {
            assert!(sql.contains("club"), "{name}");
            let mut first = Vec::new();
            for part in sql.split('$').skip(1) {
                let digits: String = part.chars().take_while(char::is_ascii_digit).collect();
                let number: usize = digits.parse().unwrap();
                if !first.contains(&number) {
                    first.push(number);
                }
            }
            assert!(first.iter().copied().eq(1..=first.len()), "{name}: {first:?}");
            let names_it =
                sql.contains("club = $") || sql.contains("VALUES ($1") || sql.contains("$1, $2");
            assert!(name == "club" || names_it, "{name}");
        }
    }

    #[test]
    fn a_season_is_listed_by_indexes_and_never_read_through() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        season::rowed(&mut store);
        assert_eq!(listed(&store, &season::all()).len(), 10_000);
        for (name, sql) in all() {
            let plan = plan(&store, sql);
            let reads_through = plan.iter().any(|step| step.starts_with("SCAN"));
            assert!(name == "club" || !reads_through, "{name}: {plan:?}");
            let sorts = plan.iter().any(|step| step.contains("TEMP B-TREE"));
            assert!(!sorts || !LISTS.contains(&sql), "{name} is sorted: {plan:?}");
        }
        for of in kept_rows::ALL {
            let column = "of".to_owned();
            let column = of.key.first().map_or(column, |key| (*key).to_owned());
            let mut texts = vec![of.select(), of.delete(), of.update(&[&column])];
            let is_someones = store.connection().prepare(&of.select_keys("person")).is_ok();
            texts.extend(is_someones.then(|| of.select_keys("person")));
            for sql in texts {
                let plan = plan(&store, &sql);
                assert!(!plan.iter().any(|step| step.starts_with("SCAN")), "{sql}: {plan:?}");
            }
        }
        let of = |name: Option<&str>, work: Option<&str>, days: Option<(&str, &str)>| {
            let (from, to) = days.unwrap_or(("0001-01-01", "9999-12-31"));
            let wanted = Wanted {
                name: name.map(str::to_owned),
                work: work.map(str::to_owned),
                from: from.parse().unwrap(),
                to: to.parse().unwrap(),
                ..season::all()
            };
            listed(&store, &wanted)
        };
        // Rower 03 is a person, Rower 33 a guest.
        assert_eq!(of(Some("ROWER 03"), None, None).len(), 250);
        assert_eq!(of(Some("wer 33"), None, None).len(), 250);
        assert_eq!(of(Some("rower"), Some("2500m"), None).len(), 10 * 40);
        assert_eq!(of(None, Some("500m"), None).len(), 60 * 40);
        let week = Some(("2026-09-04", "2026-09-07"));
        assert_eq!(of(None, None, week).len(), 2 * 5 * 40);
        assert_eq!(of(Some("03"), Some("1000m"), week).len(), 2);
        assert_eq!(of(Some("%"), None, None).len(), 0, "what is typed is looked for as it is");
        let newest = of(None, None, None);
        assert!(newest.windows(2).all(|pair| pair[0].day >= pair[1].day));
        assert_eq!(store.people("").unwrap().iter().map(|line| line.results).sum::<u64>(), 5 * 250);
    }

    fn plan(store: &Store, sql: &str) -> Vec<String> {
        let mut select = store.connection().prepare(&format!("EXPLAIN QUERY PLAN {sql}")).unwrap();
        // Parameters that are not given change no plan.
        let nothing = vec![rusqlite::types::Null; select.parameter_count()];
        let steps = select.query_map(rusqlite::params_from_iter(nothing), |row| row.get(3));
        steps.unwrap().map(Result::unwrap).collect()
    }
}
