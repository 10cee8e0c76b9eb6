//! The club's file: what it takes from journals, what it is told at the command line, what is left when the process
//! ends.

mod came;
mod command;
mod copied;
mod deeds;
mod evening;
mod going;
mod gone;
mod http;
mod keys;
mod killed;
mod merging;
mod records;
mod retention;
mod ruled;
mod tables;

mod taking;
mod unread;

use std::{path::Path, time::Duration};

use thole_club::{Doer, Person};
use thole_server::club::{
    Store,
    store::{Listed, Wanted},
};
use tokio::{task::yield_now, time::timeout};

pub(crate) fn all() -> Wanted {
    Wanted::default()
}

/// Somebody new in the club.
pub(crate) fn added(store: &mut Store, name: &str, born_year: Option<u16>) -> Person {
    store.add_person(name, born_year, &Doer::at_the_command_line(1)).unwrap()
}

pub(crate) fn results(data: &Path) -> Vec<Listed> {
    Store::open_read_only(data).unwrap().results(&all()).unwrap()
}

/// Waits until something is so; long enough for any machine.
pub(crate) async fn comes(what: &str, is_so: impl Fn() -> bool) {
    let waiting = async {
        while !is_so() {
            yield_now().await;
        }
    };
    let came = timeout(Duration::from_secs(60), waiting).await;
    assert!(came.is_ok(), "{what} never came");
}

/// All that a club keeps, as text.
pub(crate) fn export(data: &Path) -> String {
    let mut text = Vec::new();
    Store::open_read_only(data).unwrap().export(&mut text).unwrap();
    String::from_utf8(text).unwrap()
}

/// Who rowed how long, in which piece, by their names.
pub(crate) fn told(data: &Path) -> Vec<String> {
    let line = |of: &Listed| {
        let (name, piece) = (of.name.clone().unwrap_or_default(), of.piece.unwrap_or_default());
        format!("{name} {piece} {} {}", of.time_ms.0, of.revision.unwrap_or_default())
    };
    let mut lines: Vec<String> = results(data).iter().map(line).collect();
    lines.sort_unstable();
    lines
}
