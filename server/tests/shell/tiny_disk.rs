//! The program on a disk with little room: it makes no new sessions, goes on as a reader when there is no room left,
//! and writes again when there is.

use std::{
    path::{Path, PathBuf},
    process::Command,
};

use serde_json::json;
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
};
use tokio_tungstenite::tungstenite::Message;

use crate::program::{Started, next, say, session_made, signal};

/// A disk of its own, taken away when a test is done with it.
struct Tiny(PathBuf);

impl Tiny {
    /// `None` where it is not permitted.
    fn new(at: &Path) -> Option<Tiny> {
        std::fs::create_dir(at).unwrap();
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", "size=3m", "tmpfs"]).arg(at);
        let mounted = mount.output().is_ok_and(|done| done.status.success());
        mounted.then(|| Tiny(at.to_owned()))
    }

    fn grow(&self) {
        let grown = Command::new("mount").args(["-o", "remount,size=32m"]).arg(&self.0).status();
        assert!(grown.unwrap().success());
    }
}

impl Drop for Tiny {
    fn drop(&mut self) {
        // Lazily: anything that still has a file open there ends by itself.
        drop(Command::new("umount").arg("--lazy").arg(&self.0).status());
    }
}

async fn asked(inner: &str, path: &str) -> String {
    let mut io = TcpStream::connect(inner).await.unwrap();
    let request = format!("GET {path} HTTP/1.1\r\nHost: inner\r\n\r\n");
    io.write_all(request.as_bytes()).await.unwrap();
    let mut all = String::new();
    io.read_to_string(&mut all).await.unwrap();
    all
}

#[tokio::test]
async fn a_full_disk_ends_sessions_and_not_the_server_and_room_brings_them_back() {
    let folder = tempfile::tempdir().unwrap();
    let Some(disk) = Tiny::new(&folder.path().join("disk")) else {
        println!("left out: no disk of its own may be mounted here");
        return;
    };
    let data = disk.0.join("data");
    let inner = {
        let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        free.local_addr().unwrap().to_string()
    };
    let words = ["--inner-listen", &inner, "--disk-low-mib", "1", "--messages-per-s", "10000"];
    let server = Started::new(&data, &words);
    let mut coach = server.socket().await;
    let created = session_made(&mut coach, &data).await;
    let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
        "secret": created["coach_secret"], "last_event": 0});
    say(&mut coach, hello.clone()).await;
    assert!(asked(&inner, "/readyz").await.contains("200 OK"));
    let calls: Vec<_> = (0..50)
        .map(|no| json!({"shown": format!("call {no}"), "spoken": "Longer. ".repeat(15)}))
        .collect();
    let mut closed = None;
    for no in 0..5_000_u128 {
        let command = uuid::Uuid::from_u128(no + 1);
        let order = json!({"do": "prepare_calls", "calls": calls});
        say(&mut coach, json!({"type": "command", "command": command, "order": order})).await;
        let answered = loop {
            match next(&mut coach).await {
                Message::Text(text) if text.contains("\"done\"") => break None,
                Message::Text(text) if text.contains("disk is full") => break Some(1_013),
                Message::Text(text) => assert!(!text.contains("\"refused\""), "{text}"),
                Message::Close(frame) => break Some(u16::from(frame.unwrap().code)),
                Message::Binary(_) | Message::Ping(_) | Message::Pong(_) | Message::Frame(_) => {}
            }
        };
        if answered.is_some() {
            closed = answered;
            break;
        }
    }
    assert_eq!(closed, Some(1_013), "3 MiB are full");
    assert!(asked(&inner, "/readyz").await.contains("503"));
    assert!(asked(&inner, "/metrics").await.contains("\nthole_ready 0\n"));
    // Nobody new makes it worse, and whoever runs it can read what is there.
    let mut late = server.socket().await;
    say(&mut late, json!({"type": "create", "title": "Mill Reach"})).await;
    assert!(next(&mut late).await.to_text().unwrap().contains("disk is full"));
    let code = created["code"].as_str().unwrap();
    let read = Command::new(env!("CARGO_BIN_EXE_thole-server"))
        .env_clear()
        .args(["replay", "--data", data.to_str().unwrap(), "--session", code])
        .output()
        .unwrap();
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));

    disk.grow();
    assert!(asked(&inner, "/readyz").await.contains("200 OK"), "it is tried when somebody asks");
    let mut coach = server.socket().await;
    say(&mut coach, hello).await;
    assert!(next(&mut coach).await.to_text().unwrap().contains("\"welcome\""));
    signal(server.id(), "-TERM");
    let ended = server.ended();
    let says = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert!(ended.status.success() && says.contains("can be written again"), "{says}");
}

#[tokio::test]
async fn a_disk_that_is_nearly_full_makes_no_new_session_says_why_and_keeps_those_that_are_there() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let server = Started::new(&data, &[]);
    let created = session_made(&mut server.socket().await, &data).await;
    signal(server.id(), "-TERM");
    assert!(server.ended().status.success());

    // On a disk smaller than this, less than a quarter is free, whatever else is on it.
    let server = Started::new(&data, &["--disk-low-mib", "1073741824"]);
    let key = std::fs::read_to_string(data.join("machine-key")).unwrap();
    let key = key.lines().next().unwrap();
    let mut late = server.socket().await;
    say(&mut late, json!({"type": "create", "title": "Mill Reach", "key": key})).await;
    let refused = next(&mut late).await;
    let refused = refused.to_text().unwrap();
    assert!(refused.contains("\"limit\"") && refused.contains("disk is nearly full"), "{refused}");
    assert!(refused.contains("make room") && !refused.contains("as many sessions"), "{refused}");
    let mut coach = server.socket().await;
    let hello = json!({"type": "hello", "version_min": 1, "version_max": 1, "role": "coach",
        "secret": created["coach_secret"], "last_event": 0});
    say(&mut coach, hello).await;
    assert!(next(&mut coach).await.to_text().unwrap().contains("\"welcome\""));
}
