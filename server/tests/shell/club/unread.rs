//! Commands whose output nobody reads to its end, as in `journal … | head`: they end without a word.

use std::{io::pipe, path::Path, process::Command};

use thole_protocol::ids::JoinCode;

use super::{command::told, evening::evenings};

/// A program that a pipe without a reader has ended, as a shell reports it: 128 and the number of SIGPIPE.
const UNREAD: i32 = 141;

#[tokio::test]
async fn a_command_that_nobody_reads_any_more_ends_without_a_word() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path();
    evenings(data, 1, &["Ana", "Bo"]).await;
    told(data, &["add", "Ana Lima"]);
    let code = JoinCode::from_random(1).as_str().to_owned();
    let path = |name: &str| data.join(name).to_str().unwrap().to_owned();
    let (copy, saved) = (path("copy"), path("saved"));
    for words in [
        &["journal", "--session", &code][..],
        &["journal", "--session", &code, "--json"],
        &["replay", "--session", &code],
        &["replay", "--session", &code, "--csv"],
        &["check"],
        &["backup", &copy],
        &["salvage", "--out", &saved],
        &["coach-link"],
        &["club", "people"],
        &["club", "people", "--json"],
        &["club", "results"],
        &["club", "deeds"],
        &["club", "zone"],
        &["club", "export"],
        &["club", "export", "--csv", "people"],
        &["club", "check"],
        &["club", "rebuild"],
    ] {
        let (code, says) = unread(data, words);
        assert_eq!((code, says.as_str()), (Some(UNREAD), ""), "{words:?}");
    }
}

/// The exit code, and what it says on standard error.
fn unread(data: &Path, words: &[&str]) -> (Option<i32>, String) {
    let (reader, writer) = pipe().unwrap();
    drop(reader);
    let mut command = Command::new(env!("CARGO_BIN_EXE_thole-server"));
    command.env_clear().args(words).arg("--data").arg(data);
    let done = command.stdout(writer).output().unwrap();
    (done.status.code(), String::from_utf8(done.stderr).unwrap())
}
