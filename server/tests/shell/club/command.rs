//! The club at the command line, by the program itself, beside a server that is running.

use std::{
    path::Path,
    process::{Command, Output, Stdio},
};

use serde_json::Value;
use thole_club::Doer;
use thole_protocol::club::CoachRole;
use thole_server::{club::Store, secret::SecretHash};

use super::{comes, evening::evenings, export};
use crate::program::Started;

fn club(data: &Path, words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    command.env_clear().arg("club").args(words).arg("--data").arg(data);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn says(done: &Output) -> String {
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout.clone()).unwrap()
}

pub(crate) fn told(data: &Path, words: &[&str]) -> String {
    says(&club(data, words).output().unwrap())
}

pub(crate) fn refused(data: &Path, words: &[&str], why: &str) {
    let done = club(data, words).output().unwrap();
    let says = String::from_utf8(done.stderr).unwrap();
    assert!(!done.status.success() && says.contains(why), "{words:?}: {says}");
}

pub(crate) fn lines(data: &Path, words: &[&str]) -> Vec<Value> {
    let text = told(data, words);
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// A server on a journal of two evenings, which the club has taken.
async fn serving(data: &Path) -> Started {
    evenings(data, 2, &["Ana", "Bo"]).await;
    let server = Started::new(data, &[]);
    comes("all of them", || lines(data, &["results", "--json"]).len() == 8).await;
    server
}

#[tokio::test]
async fn a_guests_result_is_found_given_to_a_person_and_taken_back_while_a_server_runs() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let server = serving(data).await;
    told(data, &["zone", "UTC"]);
    assert_eq!(
        told(data, &["results", "--name", "ana", "--to", "2026-12-01"])
            .lines()
            .map(unnamed)
            .collect::<Vec<_>>(),
        [
            "day         name         piece  result  target  ahead  place  title  remarks",
            "2026-12-01  Ana (guest)  300m   1:00.0",
            "2026-12-01  Ana (guest)  300m   1:00.0"
        ]
    );
    assert_eq!(
        lines(data, &["results", "--piece", "300 m", "--from", "2026-12-02", "--json"]).len(),
        4
    );
    for same in ["300", "300 metres", "0.3km"] {
        assert_eq!(lines(data, &["results", "--piece", same, "--json"]).len(), 8, "{same}");
    }
    refused(data, &["results", "--piece", "long"], "type one like 1700m");
    assert_eq!(
        told(data, &["results", "--piece", "2000m"]),
        "There is no such result. Pieces with results are: 300m (8).\n"
    );
    let what =
        |of: &Value| (of["day"].to_string(), of["piece"].to_string(), of["called"].to_string());
    let in_order: Vec<_> = lines(data, &["results", "--json"]).iter().map(what).collect();
    let (ana, bo) = ("\"Ana\"", "\"Bo\"");
    let (first, second) = ("\"2026-12-01\"", "\"2026-12-02\"");
    let owned = |(day, piece, name): (&str, &str, &str)| (day.into(), piece.into(), name.into());
    assert_eq!(
        in_order,
        [
            (second, "1", ana),
            (second, "1", bo),
            (second, "0", ana),
            (second, "0", bo),
            (first, "1", ana),
            (first, "1", bo),
            (first, "0", ana),
            (first, "0", bo),
        ]
        .map(owned)
    );
    for most in [1, 3, 5] {
        let some: Vec<_> = lines(data, &["results", "--json", "--most", &most.to_string()])
            .iter()
            .map(what)
            .collect();
        assert_eq!(some, in_order[..most], "the newest, and not any of that day");
    }
    let most = told(data, &["results", "--most", "3"]);
    assert!(most.ends_with("These are the newest 3; --most shows more.\n"), "{most}");

    let before = export(data);
    let added = told(data, &["add", " Ana Lima ", "--born", "2009"]);
    assert!(added.starts_with("Ana Lima is in the club ("), "{added}");
    refused(data, &["add", "ANA lima"], "is in the club already: add an initial");
    refused(data, &["add", "two\nlines"], "A name is one line of plain text.");
    let first = |name: &str| {
        let found = lines(data, &["results", "--name", name, "--json"]);
        found.last().unwrap()["result"].as_str().unwrap().to_owned()
    };
    let hers = first("ana");
    refused(data, &["give", &hers, "Bo"], "There is nobody called Bo in the club");
    refused(data, &["give", "zzz", "Ana"], "There is no result zzz");
    refused(data, &["take-back", &hers], "there is nothing to take back");
    let given = told(data, &["give", &hers[..8], "ana l"]);
    assert_eq!(
        given,
        "The 2 results that Ana rowed in the session of 2026-12-01: Ana Lima. `club undo 2` undoes it.\n"
    );
    refused(data, &["give", &hers, "Ana Lima"], "It is Ana Lima's already.");
    told(data, &["add", "Ana Berg"]);
    refused(data, &["give", &hers, "Ana Berg"], "It is somebody else's: take it back first");
    refused(data, &["give", &hers, "Ana"], "Several people of the club are called Ana");
    let people: Vec<_> = lines(data, &["people", "--json"])
        .iter()
        .map(|of| (of["called"].clone(), of["results"].clone(), of["last_day"].clone()))
        .collect();
    assert_eq!(
        people,
        [
            ("Ana Berg".into(), 0.into(), Value::Null),
            ("Ana Lima".into(), 2.into(), "2026-12-01".into())
        ]
    );
    let listed = told(data, &["people", "LIMA"]);
    assert_eq!(
        listed.lines().map(unnamed).collect::<Vec<_>>()[1],
        "Ana Lima  2009  2        2026-12-01"
    );
    let whose = |of: &Value| (of["name"].clone(), of["called"].clone(), of["person"].is_null());
    let hers_now = lines(data, &["results", "--name", "lima", "--json"]);
    assert_eq!(
        hers_now.iter().map(whose).collect::<Vec<_>>(),
        vec![("Ana Lima".into(), "Ana".into(), false); 2]
    );
    told(data, &["undo", "2"]);
    refused(data, &["undo", "2"], "Number 2 was undone already.");
    refused(data, &["undo", "x"], "no number of `club deeds`");
    told(data, &["give", &hers, "Ana Lima"]);
    told(data, &["take-back", &hers]);
    let deeds = told(data, &["deeds"]);
    let told_of: Vec<&str> = deeds.lines().skip(1).map(|line| &line[..1]).collect();
    assert_eq!(
        (told_of, deeds.contains("undone")),
        (vec!["5", "4", "3", "2", "1"], true),
        "{deeds}"
    );
    told(data, &["type", "Ana Berg", "2024-11-02", "2 x 500 / 2:00", "3:31,2", "--rate", "24.5"]);
    assert_eq!(
        told(data, &["best", "ana b"]),
        "2x500m/2min: 3:31.2 on 2024-11-02 (typed or imported)\n"
    );
    refused(data, &["type", "Ana Berg", "2024-11-02", "2000m", "7:72"], "write it as 7:42.3");
    let typed = lines(data, &["results", "--name", "berg", "--json"]);
    let typed = typed[0]["result"].as_str().unwrap().to_owned();
    told(data, &["correct", &typed, "--to", "3:32", "--reason", "misread"]);
    refused(data, &["correct", &hers, "--to", "3:32", "--reason", "misread"], "in a session");
    told(data, &["remove", &typed, "--reason", "never rowed"]);
    assert_eq!(lines(data, &["results", "--name", "lima", "--json"]).len(), 0);
    let people = export(data).lines().filter(|line| line.contains("\"table\":\"person\"")).count();
    assert_eq!(people, 2);
    let others = |text: &str| -> Vec<String> {
        text.lines()
            .filter(|line| !line.contains("\"table\":\"person\""))
            .map(str::to_owned)
            .collect()
    };
    assert_eq!(others(&export(data)), others(&before), "as if nothing had been given");
    assert!(told(data, &["check"]).ends_with("2 people, nothing is wrong.\n"));
    drop(server);
}

#[test]
fn what_nobody_rows_is_refused_or_asked_about_where_it_is_typed() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    told(data, &["add", "Ana Berg"]);
    for (day, piece, result, why) in [
        ("2024-11-02", "2000m", "1:10", "1:10.0 for 2000m is faster than anybody is known to row."),
        ("2024-11-02", "2000m", "1:45", "Meant: 1:45.0 a 500 m, which is 7:00.0?"),
        ("2024-11-02", "500m", "7:40", "Meant: 7:40.0 for 2000m? If it is right as it stands"),
        ("1800-11-02", "2000m", "7:40", "is long ago: is the year right?"),
        ("2399-11-02", "2000m", "7:40", "is in the future: is the year right?"),
    ] {
        refused(data, &["type", "Ana Berg", day, piece, result], why);
    }
    let slow = told(data, &["type", "Ana Berg", "2024-11-02", "500m", "7:40", "--sure"]);
    let slow = slow.split(['(', ')']).nth(1).unwrap();
    refused(data, &["correct", slow, "--to", "7:41", "--reason", "misread"], "add --sure.");
    told(data, &["correct", slow, "--to", "1:41", "--reason", "a digit"]);
    let sure = &["type", "Ana Berg", "2024-11-02", "2000m", "1:10", "--sure"];
    refused(data, sure, "is faster than anybody is known to row");
    assert_eq!(told(data, &["best", "ana b"]), "500m: 1:41.0 on 2024-11-02 (typed or imported)\n");
}

/// A line without the identity that it begins with.
fn unnamed(line: &str) -> &str {
    line.get(8..).unwrap_or_default().trim_start()
}

#[tokio::test]
async fn commands_that_write_at_the_same_time_as_a_server_all_get_their_turn() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 6, &["Ana", "Bo", "Cy"]).await;
    // It takes six evenings while twelve people are added, and everything is made again in between.
    let server = Started::new(data, &[]);
    let names: Vec<String> = (0..12).map(|no| format!("Rower {no:02}")).collect();
    let mut running: Vec<_> =
        names.iter().map(|name| club(data, &["add", name]).spawn().unwrap()).collect();
    running.push(club(data, &["rebuild"]).spawn().unwrap());
    for child in running {
        says(&child.wait_with_output().unwrap());
    }
    comes("all of them", || lines(data, &["results", "--json"]).len() == 36).await;
    assert_eq!(lines(data, &["people", "--json"]).len(), 12);
    assert!(told(data, &["check"]).ends_with("nothing is wrong.\n"));
    drop(server);
}

#[tokio::test]
async fn days_follow_the_clubs_time_zone() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    let server = serving(data).await;
    told(data, &["zone", "UTC"]);
    let says = told(data, &["zone", "Pacific/Auckland"]);
    assert_eq!(says, "Pacific/Auckland. Results that belong to another day now: 8.\n");
    assert_eq!(told(data, &["zone"]), "Pacific/Auckland\n");
    let newest = lines(data, &["results", "--most", "1", "--json"]);
    assert_eq!(newest[0]["day"], "2026-12-03");
    let done = club(data, &["zone", "Weir/House"]).output().unwrap();
    assert!(!done.status.success());
    drop(server);
}

#[test]
fn where_there_is_no_club_it_is_said_and_none_is_made() {
    let folder = tempfile::tempdir().unwrap();
    refused(folder.path(), &["people"], "There is no club at ");
    refused(folder.path(), &["rebuild"], "cannot be read");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn a_club_of_a_newer_program_stops_the_start_with_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    told(folder.path(), &["add", "Ana"]);
    let file = rusqlite::Connection::open(folder.path().join("club.sqlite")).unwrap();
    file.pragma_update(None, "user_version", 99).unwrap();
    drop(file);
    refused(folder.path(), &["add", "Bo"], "use the program that wrote it, or a newer one.");
    let mut serve = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    serve.env_clear().args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(folder.path());
    let done = serve.output().unwrap();
    let says = String::from_utf8(done.stderr).unwrap();
    assert!(!done.status.success() && says.contains("of version 99"), "{says}");
}

#[test]
fn groups_are_listed_with_whoever_has_them() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    told(data, &["add", "Ana"]);
    assert!(told(data, &["groups"]).contains("no group yet"));
    let (mut store, doer) = (Store::open(data).unwrap(), Doer::at_the_command_line(1));
    let ana = store.person("Ana").unwrap().person;
    let jo = store.add_coach("Jo", CoachRole::Coach, SecretHash::of("jo"), &doer).unwrap();
    let group = store.make_group("Mornings", Some(jo.coach), &doer).unwrap();
    store.add_members(group, &[ana], None, &doer).unwrap();
    assert_eq!(told(data, &["groups"]), "group     coach  people\nMornings  Jo     Ana\n");
    store.end_coach(jo.coach, &doer).unwrap();
    assert!(told(data, &["groups"]).contains("head coach (was Jo's)"));
    let line = &lines(data, &["groups", "--json"])[0];
    assert_eq!((&line["had_by"], &line["members"][0]["called"]), (&"Jo".into(), &"Ana".into()));
}
