//! Copies made while a server runs, and what is left when one has stopped: whole, and for its owner alone.

use std::{
    fs,
    os::unix::fs::PermissionsExt,
    path::Path,
    process::{Command, Output},
};

use serde_json::{Value, json};
use thole_protocol::close::Close;
use tokio_tungstenite::tungstenite::Message;

use crate::program::{Started, next, say, session_made, signal};

fn program(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_thole-server")).env_clear().args(words).output().unwrap()
}

fn mode(path: &Path) -> u32 {
    fs::metadata(path).unwrap().permissions().mode() & 0o777
}

/// What the server answers to a coach's secret: a welcome, or the code by which it closes.
async fn welcome(server: &Started, created: &Value) -> Result<Value, u16> {
    let mut socket = server.socket().await;
    let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
        "secret": created["coach_secret"], "last_event": 0});
    say(&mut socket, hello).await;
    let answer = next(&mut socket).await;
    if let Message::Text(text) = &answer {
        return Ok(serde_json::from_str(text).unwrap());
    }
    let Message::Close(Some(frame)) = answer else { panic!("{answer:?}") };
    Err(frame.code.into())
}

fn stopped(server: Started) {
    signal(server.id(), "-TERM");
    let ended = server.ended();
    assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stderr));
}

#[tokio::test]
async fn a_copy_made_while_it_runs_is_whole_and_a_server_goes_on_from_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (data, copy, again) = (path("data"), path("copy"), path("again"));
    let server = Started::new(Path::new(&data), &[]);
    let before = session_made(&mut server.socket().await, Path::new(&data)).await;
    let told = program(&["backup", &copy, "--data", &data]);
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let says = String::from_utf8(told.stdout).unwrap();
    let kib = fs::metadata(&copy).unwrap().len() / 1_024;
    assert!(says.contains(&format!("has 1 session ({kib} KiB)")), "{says}");
    assert_eq!(mode(Path::new(&copy)), 0o600);
    let after = session_made(&mut server.socket().await, Path::new(&data)).await;
    let epoch = welcome(&server, &before).await.unwrap()["epoch"].clone();

    let refused = |words: &[&str], why: &str| {
        let told = program(words);
        let says = String::from_utf8_lossy(&told.stderr).into_owned();
        assert!(!told.status.success() && says.contains(why), "{words:?}: {says}");
    };
    refused(
        &["backup", &copy, "--data", &data],
        "copy is there already, and nothing is overwritten",
    );
    refused(&["restore", &copy, "--data", &data], "is not empty");
    let nonsense = path("nonsense");
    fs::write(&nonsense, "a piece of 1,700 m, long and loose").unwrap();
    refused(&["restore", &nonsense, "--data", &again], "is not a whole journal");
    assert!(!Path::new(&again).exists(), "nothing was made by what was refused");
    stopped(server);

    let told = program(&["restore", &copy, "--data", &again]);
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let says = String::from_utf8(told.stdout).unwrap();
    assert!(says.contains(&format!("has 1 session ({kib} KiB)")), "{says}");
    assert!(says.contains("the next start makes a new one"), "of the head coach's link: {says}");
    let server = Started::new(Path::new(&again), &[]);
    let back = welcome(&server, &before).await.expect("what was copied is there");
    assert_ne!(back["epoch"], epoch, "clients have to send everything again");
    // What came after the copy is not there, and that is not the link's fault.
    assert_eq!(welcome(&server, &after).await, Err(Close::RecordsLost.code()));
    stopped(server);
}

#[tokio::test]
async fn files_are_their_owners_alone_and_one_file_is_left_when_it_has_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let server = Started::new(&data, &[]);
    session_made(&mut server.socket().await, Path::new(&data)).await;
    let files = ["thole.db", "thole.db-wal", "thole.db-shm", "lock"];
    for name in files {
        assert_eq!(mode(&data.join(name)), 0o600, "{name}");
    }
    assert_eq!(mode(&data), 0o700);
    stopped(server);
    let ahead = fs::metadata(data.join("thole.db-wal")).map_or(0, |file| file.len());
    assert_eq!(ahead, 0, "all that was written ahead is folded in");
    // A folder from an older version, or one that somebody has opened up.
    fs::set_permissions(&data, fs::Permissions::from_mode(0o755)).unwrap();
    fs::set_permissions(data.join("thole.db"), fs::Permissions::from_mode(0o644)).unwrap();
    let server = Started::new(&data, &[]);
    assert_eq!((mode(&data), mode(&data.join("thole.db"))), (0o700, 0o600));
    stopped(server);
}
