//! Cards, keys and links of coaches at the command line, beside a server that is running; and the power lost while a card is used.

use std::{
    collections::BTreeMap,
    fs::{self, OpenOptions},
    io::Write,
    path::Path,
};

use serde_json::Value;
use thole::chance::Chance;
use thole_club::Doer;
use thole_protocol::club::KeyRole;
use thole_server::{
    club::{Store, file, store::Shown},
    secret::SecretHash,
};

use super::{
    added,
    command::{lines, refused, told},
};
use crate::{
    power::{CLUB_FILES, Disk, all_of, cuts, noted, seed},
    program::Started,
};

const NOW: u64 = 1_796_077_800_000;
const CARDS: u32 = 6;

/// What stands behind the # of the link in the first line.
fn secret(says: &str) -> (&str, SecretHash) {
    let (address, secret) = says.lines().next().unwrap().split_once('#').unwrap();
    assert_eq!(secret.len(), 32, "{says}");
    (address, SecretHash::of(secret))
}

fn role(data: &Path, link: SecretHash) -> Option<KeyRole> {
    let store = Store::open_read_only(data).unwrap();
    store.key_holder(link).unwrap().map(|holder| holder.role)
}

#[test]
fn a_card_is_made_used_listed_and_ended_at_the_command_line() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let _server = Started::new(data, &[]);
    told(data, &["add", "Ana Lima"]);
    told(data, &["add", "Bo"]);
    assert_eq!(
        told(data, &["keys", "Ana"]),
        "No device comes in as Ana Lima; `club card` makes a card for one.\n"
    );
    let says = told(data, &["card", "ana", "--address", "https://club.local:8737/"]);
    let (address, card) = secret(&says);
    assert_eq!(address, "https://club.local:8737/me/");
    assert!(says.contains("one device of Ana Lima in, once, until 2"), "{says}");
    let here = told(data, &["card", "Bo"]);
    let port = secret(&here).0.strip_prefix("http://127.0.0.1:").unwrap();
    assert!(port.ends_with("/me/") && !port.starts_with("8737/"), "{here}");
    let listed = told(data, &["keys", "Ana"]);
    assert!(listed.contains("a card") && listed.contains("command line"), "{listed}");

    let mut store = Store::open(data).unwrap();
    let key = SecretHash::of("the device's own");
    let now = thole_server::clock::Clock::new(1).unix_ms();
    let shown = store.use_card(card, key, "Ana\u{2019}s phone", now).unwrap();
    assert!(matches!(shown, Shown::Admits { .. }), "{shown:?}");
    assert_eq!(role(data, key), Some(KeyRole::Person));
    let keys = lines(data, &["keys", "Ana", "--json"]);
    assert_eq!((keys.len(), &keys[0]["device"]), (1, &Value::from("Ana\u{2019}s phone")));
    refused(data, &["end-key", "Bo", keys[0]["key"].as_str().unwrap()], "No key of Bo");
    let says = told(data, &["end-key", "Ana", &keys[0]["key"].as_str().unwrap()[..8]]);
    assert_eq!(says, "It opens nothing from now on (Ana Lima, Ana\u{2019}s phone).\n");
    assert_eq!(role(data, key), None);
    assert_eq!(told(data, &["end-keys", "Bo"]), "1 key of Bo: ended.\n");
    let shown = store.use_card(secret(&here).1, key, "A phone", now).unwrap();
    assert_eq!(shown, Shown::Over);
}

#[test]
fn a_coach_is_added_gets_a_new_link_and_leaves_at_the_command_line() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    told(data, &["zone", "UTC"]);
    let added = told(data, &["coach", "add", "Jo"]);
    let (address, link) = secret(&added);
    assert_eq!(address, "http://127.0.0.1:8737/coach/");
    assert!(added.ends_with("It is the link of Jo alone (coach).\n"), "{added}");
    refused(data, &["coach", "add", "jo"], "add an initial");
    told(data, &["coach", "add", "Ines", "--role", "assistant"]);
    let of = |of: &str| role(data, secret(of).1);
    assert_eq!(of(&added), Some(KeyRole::Coach));
    let roles: Vec<Value> =
        lines(data, &["coach", "list", "--json"]).iter().map(|of| of["role"].clone()).collect();
    assert_eq!(roles, ["assistant", "coach"]);
    let again = told(data, &["coach", "link", "Jo"]);
    assert_eq!((role(data, link), of(&again)), (None, Some(KeyRole::Coach)));
    told(data, &["coach", "end", "Jo"]);
    assert_eq!(of(&again), None);
    refused(data, &["coach", "link", "Jo"], "No coach");
}

#[test]
#[ignore = "the child of the test below"]
fn makes_cards_and_uses_them() {
    let folder = std::env::var("POWER_FOLDER").unwrap();
    let folder = Path::new(&folder);
    let told = OpenOptions::new().create(true).append(true).open(folder.join("told"));
    let mut told = told.unwrap();
    let mut store = Store::open(folder).unwrap();
    let ana = added(&mut store, "Ana", None).person;
    let doer = Doer::at_the_command_line(NOW);
    for at in 0..CARDS {
        store.make_card(ana, SecretHash::of(&format!("card {at}")), &doer).unwrap();
    }
    told.write_all(b"made\n").unwrap();
    for at in 0..CARDS {
        let (card, key) = (format!("card {at}"), format!("key {at}"));
        store.use_card(SecretHash::of(&card), SecretHash::of(&key), "Phone", NOW).unwrap();
        told.write_all(b"used\n").unwrap();
    }
    store.end_keys(ana, None, NOW).unwrap();
    told.write_all(b"ended\n").unwrap();
}

#[test]
fn wherever_the_power_is_lost_a_card_was_used_and_its_key_opens_or_neither() {
    let folder = tempfile::tempdir().unwrap();
    let notes = noted(folder.path(), "club::keys::makes_cards_and_uses_them");
    let seed = seed();
    let mut chance = Chance::seeded(seed);
    let (mut disks, mut done) = (BTreeMap::<&str, Disk<'_>>::new(), 0);
    let mut seen = std::collections::BTreeSet::new();
    for cut in cuts(notes.len(), &mut chance) {
        for note in &notes[done..cut] {
            disks.entry(&note.file).or_default().takes(note);
        }
        done = cut;
        let left = tempfile::tempdir_in(folder.path()).unwrap();
        for file in CLUB_FILES {
            let Some(disk) = disks.get(file) else { continue };
            fs::write(left.path().join(file), disk.after_a_loss(&mut chance)).unwrap();
        }
        let told = disks.get("told").map_or_else(String::new, all_of);
        seen.insert(is_whole(left.path(), &told, &format!("seed {seed}, cut {cut}")));
    }
    assert!(seen.len() > 3, "the cuts are at different states: {seen:?}");
}

/// No card without its key or the other way round, and nothing less than was told; how many cards were used.
fn is_whole(data: &Path, told: &str, which: &str) -> u32 {
    drop(Store::open(data).unwrap_or_else(|error| panic!("{which}: {error}")));
    let club = rusqlite::Connection::open(file(data)).unwrap();
    let count = |of: &str| {
        club.query_row(&format!("SELECT count(*) FROM {of}"), [], |row| row.get::<_, u32>(0))
            .unwrap()
    };
    let used = count("card WHERE key IS NOT NULL");
    assert_eq!(used, count("key"), "{which}");
    assert_eq!(used, count("card JOIN key USING (club, key)"), "{which}");
    let said =
        |what: &str| u32::try_from(told.lines().filter(|line| *line == what).count()).unwrap();
    assert!(used >= said("used"), "{which}: {used} {told}");
    assert!(said("made") == 0 || count("card") == CARDS, "{which}");
    let open = count("key WHERE ended_unix_ms IS NULL");
    assert!(open == used || open == 0, "{which}: all end or none");
    assert!(said("ended") == 0 || open == 0, "{which}");
    used
}
