//! What the club's volunteer meets at the command line: each message says at once what to do.

use serde_json::json;
use thole_server::journal::{Journal, sqlite::SqliteJournal};

use super::*;

/// A server on a folder of its own, at an address that it is started on again.
pub(super) struct Hall {
    pub(super) folder: tempfile::TempDir,
    pub(super) address: String,
    pub(super) server: Process,
}

impl Hall {
    pub(super) fn opened() -> Hall {
        let folder = tempfile::tempdir().unwrap();
        let address = format!("127.0.0.1:{}", free_port());
        let server = serve(&address, folder.path(), false);
        Hall { folder, address, server }
    }

    pub(super) fn journal(&self) -> PathBuf {
        self.folder.path().join("journal")
    }

    /// Runs `thole coach create` on this server, with these arguments too.
    pub(super) fn create(&self, words: &[&str]) -> std::process::Output {
        let server = format!("ws://{}", self.address);
        let data = self.journal().display().to_string();
        Command::new(program("thole"))
            .args(["coach", "create", "--server", &server, "--data", &data, "--json"])
            .args(["--title", "Evening at the weir"])
            .args(words)
            .output()
            .unwrap()
    }

    fn sessions(&self) -> Vec<Option<u64>> {
        let journal = SqliteJournal::open_read_only(&self.journal()).unwrap();
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        let rows = runtime.block_on(journal.sessions()).unwrap();
        rows.into_iter().map(|row| row.closed_unix_ms).collect()
    }

    /// Copies the files of the journal, except the witness: what a disk that was put back to an earlier time
    /// gives back.
    fn copied(&self, to: &str) {
        let to = self.folder.path().join(to);
        fs::create_dir_all(&to).unwrap();
        for name in ["thole.db", "thole.db-wal"] {
            fs::copy(self.journal().join(name), to.join(name)).unwrap();
        }
    }

    /// The server is killed and goes on with these files.
    fn goes_on_with(&mut self, from: &str) {
        self.server.kill();
        self.copied(&format!("before-{from}"));
        drop(fs::remove_file(self.journal().join("thole.db-shm")));
        for name in ["thole.db", "thole.db-wal"] {
            let file = self.folder.path().join(from).join(name);
            fs::copy(file, self.journal().join(name)).unwrap();
        }
        self.server = serve(&self.address, self.folder.path(), false);
    }
}

#[test]
fn who_has_not_accepted_the_cautions_is_told_at_once_and_takes_no_seat() {
    let hall = Hall::opened();
    let created = hall.create(&["--piece", "700m"]);
    let created: Value = serde_json::from_slice(&created.stdout).unwrap();
    let server = format!("ws://{}", hall.address);
    let row = ["row", "--server", &server, "--code", created["code"].as_str().unwrap()];
    let told = Command::new(program("thole")).args(row).args(["--name", "Ana"]).output().unwrap();
    assert_eq!(told.status.code(), Some(2), "{told:?}");
    let (read, says) =
        (String::from_utf8(told.stdout).unwrap(), String::from_utf8(told.stderr).unwrap());
    assert!(read.contains("Before you row:") && says.contains("--cautions-read"), "{read}{says}");
    let coach = created["coach_link"].as_str().unwrap();
    assert_eq!(thole(&["coach", "status", "--link", coach, "--json"])["athletes"], json!([]));
}

#[test]
fn a_session_that_cannot_be_made_whole_is_not_left_half_made() {
    let hall = Hall::opened();
    // More pieces than a session may have: only the server says so.
    let told = hall.create(&["--piece", "700m"].repeat(51));
    let says = String::from_utf8(told.stderr).unwrap();
    assert_eq!(told.status.code(), Some(1), "{says}");
    assert!(says.contains("50") && says.contains("closed again"), "{says}");
    let said = String::from_utf8(told.stdout).unwrap();
    assert!(!said.contains("coach_link"), "no link to what is not there: {said}");
    assert!(matches!(hall.sessions().as_slice(), [Some(_)]), "{:?}", hall.sessions());
}

/// A computer came back without what it had last written: nobody who rowed in it is sent away, what they rowed is saved
/// on their side, and all of it counts once the records are there again.
#[test]
fn who_rows_in_a_session_that_the_disk_has_lost_saves_it_and_goes_on_when_it_is_back() {
    let mut hall = Hall::opened();
    hall.create(&["--piece", "700m"]);
    hall.copied("earlier");
    let created = hall.create(&["--piece", "130m"]);
    let created: Value = serde_json::from_slice(&created.stdout).unwrap();
    let coach = created["coach_link"].as_str().unwrap();
    let saved_to = hall.folder.path().join("saved");
    fs::create_dir(&saved_to).unwrap();
    let told = hall.folder.path().join("told");
    let server = format!("ws://{}", hall.address);
    let rower = Process::start(
        Command::new(program("thole"))
            .args(["row", "--server", &server, "--code", created["code"].as_str().unwrap()])
            .args(["--name", "Ana", "--pace", "2:05", "--speed", SPEED, "--cautions-read"])
            .args(["--pieces", "1", "--json", "--save-to", saved_to.to_str().unwrap()])
            .stdout(File::create(&told).unwrap()),
    );
    wait_until("Ana is there", || here(coach) == 1);
    thole(&["coach", "arm", "--link", coach, "--json"]);
    thole(&["coach", "start", "--link", coach, "--json"]);
    let rows = || fs::read_to_string(&told).unwrap().contains("\"own\"");
    wait_until("Ana rows", rows);
    hall.goes_on_with("earlier");
    let file = saved_to.join("rowed-1.jsonl");
    wait_until("it is saved", || file.exists());
    let metres = || {
        let saved: Value = serde_json::from_str(&fs::read_to_string(&file).unwrap()).unwrap();
        saved["samples"].as_array().unwrap().last().unwrap()[1].as_f64().unwrap()
    };
    // It is rewritten until all of it is there.
    wait_until("all of it is saved", || metres() >= 130.0);
    assert_eq!(fs::read_dir(&saved_to).unwrap().count(), 1);
    hall.goes_on_with("before-earlier");
    rower.ends_well("the rower");
    let status = thole(&["coach", "status", "--link", coach, "--json"]);
    let result = results(&status)["Ana"].clone();
    assert_eq!(result["outcome"], "finished", "{result}");
}
