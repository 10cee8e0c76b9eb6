//! People who are deleted: no byte of theirs is left in any file, all else is as before, and no older copy brings them back.

use std::{
    collections::{BTreeSet, HashMap},
    fs,
    path::{Path, PathBuf},
    process::{Command, Stdio},
};

use rusqlite::{Connection, params};
use thole_club::{Doer, PersonId, Reach};
use thole_protocol::{
    club::{CoachRole, NewNote, NoteAbout, NoteReaders},
    ids::AthleteId,
};
use thole_server::{
    club::{
        Store, file,
        gone::{self, Gone, GoneId},
        leaving,
        rebuild::rebuild,
        store::{AskedOnce, Reply},
    },
    secret::SecretHash,
};

use super::{
    added, comes,
    evening::{Evening, opened},
    export, results,
};
use crate::program::Started;

const NOW: u64 = 1_797_000_000_000;
const NAME: &str = "Zacharias Quill";

fn coach() -> Doer {
    Doer { who: "Rosa".to_owned(), at_unix_ms: NOW }
}

fn evenings() -> [Evening; 3] {
    // Nothing else in them has the numbers of these athletes. In the last one they are alone.
    [(3, &["Ana", NAME, "Cy"][..]), (4, &["Ana", NAME, "Cy"]), (5, &[NAME])]
        .map(|(no, names)| Evening::of(no, names))
}

/// Who they are in the journals.
fn athletes() -> [AthleteId; 3] {
    evenings().map(|evening| evening.athlete(evening.people().min(2)))
}

/// Two closed evenings of Ana, of whoever is to be deleted, and of Cy, who is a guest, and one of the second alone; and all else that a
/// club may know of somebody.
async fn club(data: &Path) -> PersonId {
    let journal = opened(data);
    for mut evening in evenings() {
        let them = evening.people().min(2);
        evening.row(true).settle().row(false).settle().rows_on(them).closes();
        evening.write(&journal).await;
    }
    drop(journal);
    rebuild(data).await.unwrap();
    let mut store = Store::open(data).unwrap();
    let [ana, them] = ["Ana", NAME].map(|name| added(&mut store, name, Some(1990)));
    for (name, person) in [("Ana", &ana), (NAME, &them)] {
        for of in results(data).iter().filter(|of| of.called.as_deref() == Some(name)) {
            // Each gives all of its evening, once.
            let _ = store.give(of, person, None, Reach::Seat, &coach());
        }
    }
    // Ana rowed one piece in their seat, they one in hers.
    let of = |who: &PersonId| {
        let who = Some(who.to_string());
        results(data).into_iter().find(|of| of.person == who).unwrap()
    };
    store.swap(&of(&ana.person), &of(&them.person), Reach::Piece, &coach()).unwrap();
    // Another entry of the same person, merged.
    let twice = added(&mut store, "Zach Quill", None);
    store.merge(&twice, &them, &coach()).unwrap();
    store.make_card(them.person, hash("card"), &coach()).unwrap();
    for (card, key) in [("used card", "their key"), ("other card", "their other key")] {
        store.make_card(them.person, hash(card), &coach()).unwrap();
        store.use_card(hash(card), hash(key), "Zacharias' phone", NOW).unwrap();
    }
    store.make_card(ana.person, hash("Ana's card"), &coach()).unwrap();
    store.use_card(hash("Ana's card"), hash("Ana's key"), "Phone", NOW).unwrap();
    store.add_coach("Jo", CoachRole::Coach, hash("Jo's link"), &coach()).unwrap();
    store.keep_look("Rosa", "heart rate", Some(them.person), NOW).unwrap();
    store.keep_look(&them.person.to_string(), "own", None, NOW).unwrap();
    let once = |asker: &str| AskedOnce {
        asker: asker.to_owned(),
        key: "1".to_owned(),
        asked: "what".to_owned(),
    };
    let reply = Reply { text: format!("{NAME} is in the club"), etag: None };
    for asker in ["Rosa", &them.person.to_string()] {
        store.keep_answer(&once(asker), Some(&reply), NOW).unwrap().unwrap();
    }
    // What was written about them, and what it takes to bring back what was removed.
    let group = store.make_group("Mornings", None, &coach()).unwrap();
    store.add_members(group, &[ana.person, them.person], None, &coach()).unwrap();
    for words in ["Zacharias sits low", "Quill rows long"] {
        let about = NoteAbout::Person(them.person);
        let new = NewNote { about, words: words.to_owned(), readers: NoteReaders::Author };
        let note = store.write_note(&new, None, &coach()).unwrap();
        if words.starts_with("Quill") {
            let note = store.note(note).unwrap().unwrap();
            store.remove_note(&note, &coach()).unwrap();
        }
    }
    let file = Connection::open(file(data)).unwrap();
    for put in [
        "INSERT INTO effort SELECT club, result, 8, 1 FROM result WHERE person = ?1 LIMIT 1",
        "INSERT INTO attendance (club, person, day, state) SELECT club, ?1, '2026-11-30', 'came' FROM club",
        "INSERT INTO note (club, note, person, words, readers, said_unix_ms)
         SELECT club, 'a note', ?1, 'Quill sits badly', 'coaches', 1 FROM club",
        "INSERT INTO consent (club, consent, person, what, choice, wording, day, guardian)
         SELECT club, '11111111-1111-4111-8111-111111111111', ?1, 'heart_rate', 'yes', 1, '2026-11-30', 'Aurelia Quill' FROM club",
        "INSERT INTO \"group\" (club, \"group\", called) SELECT club, 'a group', 'Tuesdays' FROM club WHERE ?1 <> ''",
        "INSERT INTO membership SELECT club, 'a group', ?1, '2026-11-30', NULL FROM club",
        "INSERT INTO result (club, result, person, called, folded, source, day, work, repeats, outcome, time_ms, distance_dm, plan)
         SELECT club, '22222222-2222-4222-8222-222222222222', ?1, 'Zacharias Quill', 'zacharias quill', 'imported', '2026-11-01',
            '500m', '[]', 'finished', 99000, 5000, '{}' FROM club",
    ] {
        assert_eq!(file.execute(put, [them.person.to_string()]).unwrap(), 1, "{put}");
    }
    them.person
}

fn hash(of: &str) -> SecretHash {
    SecretHash::of(of)
}

/// What must not be found any more, by what it is.
fn needles(data: &Path, them: PersonId) -> Vec<(String, Vec<u8>)> {
    let mut all: Vec<(String, Vec<u8>)> = Vec::new();
    for text in ["Zacharias", "zacharias", "Zach Quill", "Quill", "quill", "Aurelia"] {
        all.push((text.to_owned(), text.as_bytes().to_vec()));
    }
    for key in ["card", "used card", "their key", "their other key"] {
        all.push((key.to_owned(), hash(key).to_hex().into_bytes()));
    }
    for athlete in athletes() {
        all.push(("who they are in a journal".to_owned(), athlete.0.as_bytes().to_vec()));
        all.push((format!("athlete {athlete}"), athlete.to_string().into_bytes()));
    }
    all.push(("who they are".to_owned(), them.to_string().into_bytes()));
    let journal = Connection::open(data.join("thole.db")).unwrap();
    let theirs = "SELECT r.payload, r.kind FROM record AS r JOIN person AS p ON p.session = r.session AND p.number = r.person
        WHERE p.athlete = ?1 AND length(r.payload) >= 8 AND NOT EXISTS (
            SELECT 1 FROM record AS o WHERE o.payload = r.payload AND EXISTS (
                SELECT 1 FROM person AS p WHERE p.session = o.session AND p.number = o.person AND p.athlete NOT IN (?2, ?3, ?4)))";
    let mut select = journal.prepare(theirs).unwrap();
    for athlete in athletes() {
        let athlete = athlete.0.as_bytes().to_vec();
        let [first, second, third] = athletes().map(|athlete| athlete.0.as_bytes().to_vec());
        let rows = select.query_map(params![athlete, first, second, third], |row| {
            Ok((format!("a record of kind {}", row.get::<_, i64>(1)?), row.get(0)?))
        });
        all.extend(rows.unwrap().map(Result::unwrap));
        let keys = "SELECT key FROM person WHERE athlete = ?1";
        let key = journal.query_row(keys, params![athlete], |row| row.get::<_, Vec<u8>>(0));
        all.push(("a key of the journal".to_owned(), key.unwrap()));
    }
    let strokes =
        all.iter().filter(|(what, needle)| what == "a record of kind 1" && needle.len() > 20);
    assert_eq!(strokes.count(), 3, "of each evening");
    all
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    entries.flat_map(|path| if path.is_dir() { files(&path) } else { vec![path] }).collect()
}

/// Bytes by which it is seen fast that nothing of them begins here.
const FIRST: usize = 5;

/// Which of them is in a file, and in which.
fn found(folder: &Path, needles: &[(String, Vec<u8>)]) -> BTreeSet<(String, String)> {
    let mut by_first: HashMap<&[u8], Vec<(&str, &[u8])>> = HashMap::new();
    for (what, needle) in needles {
        by_first.entry(&needle[..FIRST]).or_default().push((what, needle));
    }
    let mut found = BTreeSet::new();
    for file in files(folder) {
        // SQLite removes files of its own at any time.
        let Ok(bytes) = fs::read(&file) else { continue };
        let name = file.file_name().unwrap().to_str().unwrap().to_owned();
        for (at, first) in bytes.windows(FIRST).enumerate() {
            let begin_so = by_first.get(first).into_iter().flatten();
            for (what, _) in begin_so.filter(|(_, needle)| bytes[at..].starts_with(needle)) {
                // A list of what is gone has identities, which say nothing without the rest.
                let is_id = what.starts_with("athlete ") || *what == "who they are";
                if !(is_id && name.ends_with("gone")) {
                    found.insert((name.clone(), (*what).to_owned()));
                }
            }
        }
    }
    found
}

/// The lines of an export that are not about them; of a seat that was left nobody's line is anybody's.
fn of_others(export: &str, without: &str) -> Vec<String> {
    let is_theirs = |line: &&str| {
        line.contains(without)
            || line.contains("\"table\":\"tombstone\"")
            || line.contains("\"tombstone\":\"")
            || line.contains(NAME)
    };
    export.lines().filter(|line| !is_theirs(line)).map(str::to_owned).collect()
}

/// Splits and effort have no person in their lines.
fn results_of(export: &str, person: &str) -> Vec<String> {
    let lines = export.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
    let theirs = lines.filter(|line| line["table"] == "result" && line["person"] == person);
    theirs.map(|line| line["result"].as_str().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn of_whoever_is_deleted_no_byte_is_left_and_everybody_else_is_as_before() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let them = club(data).await;
    fs::copy(file(data), data.join("club.sqlite.version-6")).unwrap();
    let needles = needles(data, them);
    let there: BTreeSet<String> = found(data, &needles).into_iter().map(|(_, what)| what).collect();
    for (what, _) in &needles {
        let is_bytes_alone = what.starts_with("athlete ");
        assert!(is_bytes_alone || there.contains(what), "{what} is looked for and was never there");
    }
    let before = export(data);
    let theirs = results_of(&before, &them.to_string());
    assert_eq!(theirs.len(), 7, "six pieces and one that was imported");

    let journal = opened(data);
    let mut store = Store::open(data).unwrap();
    store.go(them, &coach()).unwrap();
    store.go_now(them, &coach()).unwrap();
    assert!(leaving::look(&journal, None, data, NOW + 1).await.unwrap().is_empty());
    assert_eq!(store.check().unwrap(), Vec::<String>::new());

    let left = found(data, &needles);
    assert!(left.is_empty(), "{left:?}");
    let after = export(data);
    let others = |text: &str| {
        let mut lines = of_others(text, &them.to_string());
        lines.retain(|line| !theirs.iter().any(|result| line.contains(result.as_str())));
        // Nothing is left of the evening on which they were alone.
        let [.., alone] = evenings().map(|evening| evening.session().to_string());
        lines.retain(|line| !line.contains(&alone));
        lines
    };
    // Ana's result of the piece that she rowed in their seat was under their name.
    let nameless = |line: &String| line.contains("\"called\":null");
    let mut after_lines = others(&after);
    after_lines.retain(|line| !nameless(line));
    assert_eq!(after_lines, others(&before));
    let ana = store.person("Ana").unwrap().person.to_string();
    assert_eq!(results_of(&after, &ana), results_of(&before, &ana));
    let places = |text: &str| {
        let lines =
            text.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
        let rows =
            lines.filter(|line| line["table"] == "result" && line["person"] != them.to_string());
        rows.map(|line| format!("{} {} {}", line["result"], line["place"], line["time_ms"]))
            .collect::<Vec<_>>()
    };
    assert_eq!(places(&after), places(&before));
    // A seat in each evening, and one piece in another's.
    assert_eq!(after.matches("\"table\":\"tombstone\"").count(), 4, "{after}");

    // The journals still give nothing back: neither a rebuild nor a club that takes everything anew.
    drop(journal);
    rebuild(data).await.unwrap();
    assert_eq!(export(data), after);
    let left = found(data, &needles);
    assert!(left.is_empty(), "{left:?}");
    // A copy that is made now has nothing of them, and neither has what is made of that.
    let copies = tempfile::tempdir().unwrap();
    let (copy, again) = (copies.path().join("copy"), copies.path().join("again"));
    drop(store);
    assert!(program(&["backup", copy.to_str().unwrap()], data).0);
    assert!(program(&["restore", copy.to_str().unwrap()], &again).0);
    let left = found(copies.path(), &needles);
    assert!(left.is_empty(), "{left:?}");
    assert_eq!(export(&again), after);
}

fn program(words: &[&str], data: &Path) -> (bool, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    let done = command.env_clear().args(words).arg("--data").arg(data).output().unwrap();
    let says = if done.status.success() { done.stdout } else { done.stderr };
    (done.status.success(), String::from_utf8(says).unwrap())
}

#[tokio::test]
async fn a_copy_from_before_brings_back_neither_whoever_is_deleted_nor_a_key_that_was_ended() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let (data, copy) = (path("data"), path("copy"));
    let them = club(&data).await;
    let needles = needles(&data, them);
    let copied = copy.to_str().unwrap().to_owned();
    let (done, says) = program(&["backup", &copied], &data);
    assert!(done && says.contains("copy.gone lists who was deleted"), "{says}");
    let before = export(&data);

    let mut store = Store::open(&data).unwrap();
    let ana = store.person("Ana").unwrap().person;
    let hers = store.keys(ana, None, NOW).unwrap().remove(0).key;
    store.end_key(ana, hers, NOW).unwrap().unwrap();
    let jo = store.coach("Jo").unwrap().coach;
    store.link_coach(jo, hash("Jo's new link"), &coach()).unwrap().unwrap();
    let journal = opened(&data);
    store.go(them, &coach()).unwrap();
    store.go_now(them, &coach()).unwrap();
    leaving::look(&journal, None, &data, NOW + 1).await.unwrap();
    drop((journal, store));

    // With the list as it is now.
    let (again, list) = (path("again"), gone::file(&data));
    let with = ["restore", &copied, "--gone", list.to_str().unwrap()];
    let (done, says) = program(&with, &again);
    assert!(done && says.contains("were deleted since"), "{says}");
    let left = found(&again, &needles);
    assert!(left.is_empty(), "{left:?}");
    let opens = |data: &Path, key: &str| {
        let store = Store::open_read_only(data).unwrap();
        store.key_holder(hash(key)).unwrap().is_some()
    };
    assert!(!opens(&again, "Ana's key") && !opens(&again, "Jo's link"));
    assert!(!opens(&again, "their key"));
    let others = |text: &str| {
        let lines = text.lines().filter(|line| line.contains("\"table\":\"result\""));
        let others = lines.filter(|line| !line.contains(&them.to_string()) && !line.contains(NAME));
        others.map(str::to_owned).collect::<Vec<_>>()
    };
    let now: Vec<String> = others(&export(&again))
        .into_iter()
        .filter(|line| !line.contains("\"called\":null"))
        .collect();
    assert_eq!(now, others(&before));
    assert!(program(&["check"], &again).0);

    // Without any list it is refused, or everything that opens something ends.
    fs::remove_file(path("copy.gone")).unwrap();
    let none = path("none");
    let (done, says) = program(&["restore", &copied], &none);
    assert!(!done && says.contains("--without-gone") && !none.exists(), "{says}");
    let wrong = path("wrong");
    fs::write(&wrong, "a piece of 1,700 m").unwrap();
    let (done, says) = program(&["restore", &copied, "--gone", wrong.to_str().unwrap()], &none);
    assert!(!done && says.contains("no list of what is gone") && !none.exists(), "{says}");
    assert!(program(&["restore", &copied, "--without-gone"], &none).0);
    for key in ["Ana's key", "their key", "Jo's link"] {
        assert!(!opens(&none, key), "{key}");
    }
    assert_eq!(export(&none), before);
}

fn erased(data: &Path) -> i64 {
    let Ok(journal) = Connection::open(data.join("thole.db")) else { return 0 };
    let sql = "SELECT count(*) FROM person WHERE athlete IS NULL";
    journal.query_row(sql, [], |row| row.get(0)).unwrap_or(0)
}

fn is_listed(data: &Path, them: PersonId) -> bool {
    let list = Gone::read(&gone::file(data)).ok().flatten();
    list.is_some_and(|list| list.has(GoneId::Person(them)))
}

#[tokio::test]
async fn wherever_it_is_killed_somebody_is_deleted_or_not_and_never_half() {
    let mut states = BTreeSet::new();
    for step in 0..4 {
        let folder = tempfile::tempdir().unwrap();
        let data = folder.path();
        let them = club(data).await;
        let needles = needles(data, them);
        let mut store = Store::open(data).unwrap();
        store.go(them, &coach()).unwrap();
        drop(store);
        let whole = results(data).len();
        let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
        command.env_clear().args(["club", "delete", "zacharias", "--now", "--data"]).arg(data);
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        let is_there = || match step {
            0 => true,
            1 => is_listed(data, them),
            2 => erased(data) > 0,
            _ => erased(data) > 1,
        };
        while !is_there() && child.try_wait().unwrap().is_none() {}
        child.kill().unwrap();
        child.wait().unwrap();
        let listed = is_listed(data, them);
        let is_in_club = Store::open(data).unwrap().going(them).unwrap().is_some();
        states.insert((listed, erased(data), is_in_club));
        assert!(listed || (erased(data) == 0 && is_in_club), "step {step}: the list comes first");
        assert!(is_in_club || erased(data) == 3, "step {step}: the club comes last");
        assert_eq!(results(data).len(), whole, "step {step}: hidden before, hidden or gone now");
        // Nobody takes back what is begun.
        if listed && is_in_club {
            let says = Store::open(data).unwrap().keep(them).unwrap_err().to_string();
            assert!(says.contains("is being deleted just now"), "{says}");
        }
        if !listed {
            let mut store = Store::open(data).unwrap();
            // Whatever this machine's clock says.
            store.go_now(them, &Doer::at_the_command_line(1)).unwrap();
        }
        let server = Started::new(data, &[]);
        let gone = || {
            let store = Store::open_read_only(data).unwrap();
            store.all_going().unwrap().is_empty()
        };
        comes("they are gone", gone).await;
        comes("no trace of them", || found(data, &needles).is_empty()).await;
        drop(server);
        assert_eq!(erased(data), 3);
        assert_eq!(results(data).len(), whole);
    }
    assert!(states.len() > 1, "it was always killed in the same state: {states:?}");
}
