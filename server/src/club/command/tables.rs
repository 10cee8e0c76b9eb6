//! Tables at the command line: a file is shown first, and stored when that is said.

use std::{fs::File, io::Read, path::Path};

use thole_club::{
    Doer,
    table::{Choice, Looked, LookedLine, TableKind, Verdict, sheet::FILE_MAX, sheet::Sheet},
};

use super::{many, table::columns};
use crate::club::store::{Store, Stored};

/// So many lines that are stored or known are shown; those that somebody has to look at all are.
const SHOWN_MAX: usize = 20;

/// `people` or `results`.
pub(super) fn kind(typed: &str) -> Result<TableKind, String> {
    match typed {
        "people" => Ok(TableKind::People),
        "results" => Ok(TableKind::Results),
        _ => Err("it is people or results".to_owned()),
    }
}

/// What is asked of a file.
#[derive(clap::Args, Clone, Debug)]
pub struct Import {
    /// The file: CSV, as a spreadsheet writes it
    pub file: std::path::PathBuf,
    /// It has people: name, born, spoken, language, units, hall_name, person_id; only the name has to be there
    #[arg(long, conflicts_with = "results")]
    pub people: bool,
    /// It has results: name, day, piece and result, and what else `club export --csv results` writes [default: what its heading says]
    #[arg(long)]
    pub results: bool,
    /// Stores the new lines; else they are only shown
    #[arg(long)]
    pub store: bool,
    /// Doubtful lines that are stored as they stand there
    #[arg(long, value_name = "LINES", value_delimiter = ',', requires = "store")]
    pub also: Vec<u32>,
    /// Doubtful lines that are stored as they were probably meant
    #[arg(long, value_name = "LINES", value_delimiter = ',', requires = "store")]
    pub meant: Vec<u32>,
    /// Prints what each line comes to as JSON
    #[arg(long)]
    pub json: bool,
}

/// Looks at a file or stores it; what there is to say, and whether no line is left that somebody has to look at.
///
/// # Errors
/// One sentence: why nothing of it can be read or stored. Then nothing was changed.
pub(super) fn import(data: &Path, asked: &Import, now: u64) -> Result<(String, bool), String> {
    let bytes = read(&asked.file)?;
    let kind = match (asked.people, asked.results) {
        (true, _) => TableKind::People,
        (_, true) => TableKind::Results,
        (false, false) if Sheet::read(&bytes)?.heading.iter().any(|column| column == "piece") => {
            TableKind::Results
        }
        (false, false) => TableKind::People,
    };
    let choice = Choice {
        also: asked.also.iter().copied().collect(),
        meant: asked.meant.iter().copied().collect(),
    };
    let (looked, stored) = if asked.store {
        let doer = Doer::at_the_command_line(now);
        let stored = Store::open(data)?.import(&bytes, kind, &choice, &doer)?;
        (stored.looked.clone(), Some(stored))
    } else {
        (Store::open_read_only(data)?.look(&bytes, kind, now)?, None)
    };
    let is_chosen = |line: &LookedLine| {
        stored.is_some() && (choice.also.contains(&line.line) || choice.meant.contains(&line.line))
    };
    let is_open = |line: &&LookedLine| {
        matches!(line.verdict, Verdict::Doubtful | Verdict::Wrong) && !is_chosen(line)
    };
    let is_settled = !looked.lines.iter().any(|line| is_open(&line));
    if asked.json {
        let text = serde_json::to_string(&looked).map_err(|error| format!("{error}."))?;
        return Ok((text + "\n", is_settled));
    }
    Ok((says(&looked, stored.as_ref()), is_settled))
}

/// No more of a file than is looked at.
fn read(file: &Path) -> Result<Vec<u8>, String> {
    let failed = |error: std::io::Error| format!("{} cannot be read: {error}.", file.display());
    let most = u64::try_from(FILE_MAX).unwrap_or(u64::MAX).saturating_add(1);
    let mut bytes = Vec::new();
    File::open(file).and_then(|file| file.take(most).read_to_end(&mut bytes)).map_err(failed)?;
    Ok(bytes)
}

fn says(looked: &Looked, stored: Option<&Stored>) -> String {
    let mut shown = 0;
    let is_shown = |line: &&LookedLine| {
        let needs = matches!(line.verdict, Verdict::Doubtful | Verdict::Wrong);
        shown += usize::from(!needs);
        needs || shown <= SHOWN_MAX
    };
    let lines: Vec<&LookedLine> = looked.lines.iter().filter(is_shown).collect();
    let row = |line: &&LookedLine| {
        let verdict = match line.verdict {
            Verdict::New => "new",
            Verdict::Known => "known",
            Verdict::Doubtful => "doubtful",
            Verdict::Wrong => "wrong",
        };
        let meant =
            line.meant.as_ref().map(|meant| format!(" Meant: {meant}?")).unwrap_or_default();
        let says = format!("{}{meant}", line.says);
        vec![line.line.to_string(), verdict.to_owned(), line.shows.clone(), says]
    };
    let mut text = columns(&["line", "", "", ""], lines.iter().map(row));
    if lines.len() < looked.lines.len() {
        text.push_str(&format!("… and {} more.\n", looked.lines.len() - lines.len()));
    }
    if !looked.unread.is_empty() {
        text.push_str(&format!("Not read: {}.\n", looked.unread.join(", ")));
    }
    let count = |verdict| looked.count(verdict);
    text.push_str(&format!(
        "{} new, {} known, {} doubtful, {} wrong.\n",
        count(Verdict::New),
        count(Verdict::Known),
        count(Verdict::Doubtful),
        count(Verdict::Wrong)
    ));
    text.push_str(&match stored {
        None => "Nothing is stored: --store stores what is new, --also and --meant doubtful lines as well.\n".to_owned(),
        Some(Stored { deed: None, .. }) => "Nothing was to be stored.\n".to_owned(),
        Some(Stored { stored, deed: Some(deed), .. }) => {
            format!("Stored: {}. `club undo {deed}` undoes it.\n", many(*stored, "line"))
        }
    });
    text
}
