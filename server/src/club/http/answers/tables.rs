//! Tables looked at, stored, and written out.

use data_encoding::BASE64;
use thole_club::table::Choice;
use thole_protocol::club::{
    Imported, LineCounts, Looked, Problem, TableChosen, TableKind, TableSent, Verdict, spoken,
};

use super::{Asked, refused};
use crate::club::store::{Store, Stored};

pub(super) fn look(
    store: &mut Store,
    asked: Asked<spoken::LookAtTable>,
) -> Result<Looked, Problem> {
    let TableSent { what, table, table_base64 } = asked.body;
    Ok(store.look(&bytes(table, table_base64)?, what, asked.at_unix_ms)?)
}

pub(super) fn import(
    store: &mut Store,
    asked: Asked<spoken::ImportTable>,
) -> Result<Imported, Problem> {
    let doer = asked.doer();
    let TableChosen { what, table, table_base64, without_wrong, doubtful, as_meant } = asked.body;
    let choice = Choice { also: doubtful, meant: as_meant };
    let stored = store.import(&bytes(table, table_base64)?, what, &choice, &doer)?;
    let Stored { looked, stored, deed } = stored;
    let wrong = looked.lines.iter().find(|line| line.verdict == Verdict::Wrong);
    if let (Some(wrong), false) = (wrong, without_wrong) {
        // What was stored of it is taken back with this refusal.
        let many = looked.count(Verdict::Wrong);
        return Err(refused(format!(
            "Nothing was stored: {many} of its lines cannot be, the first of them line {} ({}) Mend them, or say `without_wrong`.",
            wrong.line, wrong.says
        )));
    }
    let counts = looked.counts();
    let stored = u32::try_from(stored).unwrap_or(u32::MAX);
    Ok(Imported { deed, stored, says: sentence(stored, counts), counts })
}

pub(super) fn export(
    store: &mut Store,
    asked: Asked<spoken::ExportTable>,
) -> Result<String, Problem> {
    let what = asked.query.what;
    let words = match what {
        TableKind::People => "export of people",
        TableKind::Results => "export of results",
    };
    // First of all: what cannot be listed is not handed out.
    store.keep_look(&asked.asker.who(), words, None, asked.at_unix_ms)?;
    Ok(store.table(what)?)
}

fn bytes(text: Option<String>, base64: Option<String>) -> Result<Vec<u8>, Problem> {
    match (text, base64) {
        (Some(text), None) => Ok(text.into_bytes()),
        (None, Some(base64)) => BASE64.decode(base64.as_bytes()).map_err(|error| {
            refused(format!("`table_base64` is no base64 of RFC 4648 section 4 ({error})."))
        }),
        (None, None) | (Some(_), Some(_)) => {
            Err(refused("Say one of `table` and `table_base64`: the whole file, with its heading."))
        }
    }
}

fn sentence(stored: u32, counts: LineCounts) -> String {
    let lines =
        |count: u32| if count == 1 { "1 line".to_owned() } else { format!("{count} lines") };
    let LineCounts { new, known, doubtful, wrong } = counts;
    let chosen = stored.saturating_sub(new);
    let mut says = match stored {
        0 => "Nothing was stored".to_owned(),
        stored => format!("Stored: {}", lines(stored)),
    };
    if known > 0 {
        says.push_str(&format!("; {} there already", lines(known)));
    }
    if doubtful > chosen {
        says.push_str(&format!("; {} left out as doubtful", lines(doubtful - chosen)));
    }
    if wrong > 0 {
        says.push_str(&format!("; {} left out as wrong", lines(wrong)));
    }
    says + "."
}
