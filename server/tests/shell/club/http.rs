//! The club over HTTP, on the loopback.

mod attendance;
mod cards;
mod deeds;
mod going;
mod groups;
mod killed;
mod lists;
mod notes;
mod own;
mod people;
mod roles;
mod rulings;
mod said;
mod tables;

use std::{io, net::SocketAddr, path::Path, sync::Arc};

use rusqlite::{Connection, params};
use serde_json::Value;
use thole_club::{Doer, Reach};
use thole_server::{
    Running,
    club::{Store, file, store::Listed, taking},
    config::ServeArgs,
    makers,
    secret::SecretHash,
    start,
};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    task::JoinHandle,
};

use super::{
    comes,
    evening::{closed_evenings, evenings, opened},
    results,
};

/// What a server has said.
#[derive(Debug)]
pub(crate) struct Said {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: String,
}

impl Said {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|why| panic!("{why}: {self:?}"))
    }

    /// A header, by its name in small letters.
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        let mut lines = self.head.lines().filter_map(|line| line.split_once(": "));
        lines.find(|(of, _)| *of == name).map(|(_, value)| value)
    }
}

/// A server with a club: two evenings of two pieces by Ana and Bo, who are people, and by Cy, who is a guest.
pub(crate) struct Hall {
    pub(crate) folder: tempfile::TempDir,
    pub(crate) running: Running,
    taking: JoinHandle<()>,
    /// Of the head coach.
    pub(crate) head: String,
}

/// A request as it is written.
fn request(key: &str, line: &str, headers: &str, body: &str) -> String {
    let key = match key {
        "" => String::new(),
        key => format!("Authorization: Bearer {key}\r\n"),
    };
    let length = body.len();
    format!(
        "{line} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: {length}\r\n{key}{headers}\r\n{body}"
    )
}

/// What is said to a request; an error when the server goes before all of it is said.
async fn said_by(address: SocketAddr, request: &str) -> io::Result<Said> {
    let mut io = TcpStream::connect(address).await?;
    io.write_all(request.as_bytes()).await?;
    let mut all = String::new();
    io.read_to_string(&mut all).await?;
    let (head, body) = all.split_once("\r\n\r\n").ok_or(io::ErrorKind::UnexpectedEof)?;
    let status = head[9..12].parse().unwrap();
    Ok(Said { status, head: head.to_lowercase(), body: body.to_owned() })
}

impl Drop for Hall {
    fn drop(&mut self) {
        self.taking.abort();
    }
}

impl Hall {
    pub(crate) async fn open() -> Hall {
        let folder = tempfile::tempdir().unwrap();
        evenings(folder.path(), 2, &["Ana", "Bo", "Cy"]).await;
        Hall::over(folder).await
    }

    /// The same, and both evenings are closed.
    pub(crate) async fn closed() -> Hall {
        let folder = tempfile::tempdir().unwrap();
        closed_evenings(folder.path(), 2, &["Ana", "Bo", "Cy"]).await;
        Hall::over(folder).await
    }

    async fn over(folder: tempfile::TempDir) -> Hall {
        let data = folder.path();
        // Every call is asked with wrong keys, each of which is answered late behind so many.
        let args = ServeArgs::default().with("listen", "127.0.0.1:0").with("wrong-codes", 1_000);
        let settings = args.with("data", data.display()).settings().unwrap();
        let journal = Arc::new(opened(data));
        let running = start(settings, journal).await.unwrap();
        let taking = taking::begin(&running.server, Some(Store::open(data).unwrap()));
        comes("all results", || results(data).len() == 12).await;
        let mut store = Store::open(data).unwrap();
        let doer = Doer { who: "a test".to_owned(), at_unix_ms: 1 };
        for name in ["Ana", "Bo"] {
            let person = store.add_person(name, None, &doer).unwrap();
            for result in theirs(data, name) {
                // Each gives all of its session, once.
                let _ = store.give(&result, &person, None, Reach::Seat, &doer);
            }
        }
        let head = makers::new_key(data).unwrap().reveal();
        Hall { folder, running, taking, head }
    }

    pub(crate) fn data(&self) -> &Path {
        self.folder.path()
    }

    /// A request as it is written, and what is said to it.
    pub(crate) async fn says(&self, request: &str) -> Said {
        said_by(self.running.address, request).await.unwrap()
    }

    /// Asks with a key and these headers, and sends this along.
    pub(crate) async fn asks(&self, key: &str, line: &str, headers: &str, body: &str) -> Said {
        self.says(&request(key, line, headers, body)).await
    }

    pub(crate) async fn get(&self, key: &str, path: &str) -> Said {
        self.asks(key, &format!("GET {path}"), "", "").await
    }

    /// A device of somebody in the club, by its key's identity.
    pub(crate) fn device_of(&self, name: &str) -> String {
        self.key("person", name);
        let club = Connection::open(file(self.data())).unwrap();
        club.query_row(
            "SELECT key FROM key WHERE ended_unix_ms IS NULL AND person = (SELECT person FROM person WHERE called = ?1)
             ORDER BY key LIMIT 1",
            [name],
            |row| row.get(0),
        )
        .unwrap()
    }

    /// A coach who is ended or given a new link, by identity.
    pub(crate) fn another_coach(&self) -> String {
        let id = uuid::Uuid::new_v4();
        let club = Connection::open(file(self.data())).unwrap();
        let put = "INSERT INTO coach (club, coach, called, role, from_day)
            SELECT club, ?1, ?1, 'assistant', '2026-11-30' FROM club";
        club.execute(put, [id.to_string()]).unwrap();
        id.to_string()
    }

    /// A device of the hall that is ended, by identity.
    pub(crate) fn another_hall_device(&self) -> String {
        self.key("hall", &uuid::Uuid::new_v4().to_string());
        let club = Connection::open(file(self.data())).unwrap();
        let newest =
            "SELECT device FROM hall_device WHERE ended_unix_ms IS NULL ORDER BY called LIMIT 1";
        club.query_row(newest, [], |row| row.get(0)).unwrap()
    }

    /// A key of somebody in the club, of a device of the hall, or of a coach with this role.
    pub(crate) fn key(&self, role: &str, of: &str) -> String {
        let club = Connection::open(file(self.data())).unwrap();
        let secret = format!("secret-of-{role}-{of}-{}", uuid::Uuid::new_v4());
        let hash = SecretHash::of(&secret).to_hex();
        let id = uuid::Uuid::new_v4().to_string();
        if role == "hall" {
            let put =
                "INSERT INTO hall_device (club, device, called, folded, made_by, from_unix_ms)
                SELECT club, ?1, ?2, ?2, 'a test', 1 FROM club";
            club.execute(put, params![id, of]).unwrap();
            let put = "INSERT INTO key (club, key, hall, hash, from_unix_ms)
                SELECT club, ?1, ?1, ?2, 1 FROM club";
            club.execute(put, params![id, hash]).unwrap();
        } else if role == "person" {
            let put = "INSERT INTO key (club, key, person, hash, from_unix_ms)
                SELECT club, ?1, person, ?2, 1 FROM person WHERE called = ?3";
            assert_eq!(club.execute(put, params![id, hash, of]).unwrap(), 1);
        } else {
            let put = "INSERT INTO coach (club, coach, called, role, from_day)
                SELECT club, ?1, ?2, ?3, '2026-11-30' FROM club";
            club.execute(put, params![id, of, role]).unwrap();
            let put = "INSERT INTO key (club, key, coach, hash, from_unix_ms)
                SELECT club, ?1, ?1, ?2, 1 FROM club";
            club.execute(put, params![id, hash]).unwrap();
        }
        secret
    }
}

pub(crate) fn theirs(data: &Path, name: &str) -> Vec<Listed> {
    results(data).into_iter().filter(|of| of.called.as_deref() == Some(name)).collect()
}
