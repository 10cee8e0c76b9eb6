//! `results`: in words, or as the table that the server writes.

use std::{collections::BTreeMap, fs, path::PathBuf};

use clap::Args;
use serde_json::json;
use thole::{coach::Coach, table::result_text};
use thole_protocol::{
    ids::{AthleteId, CommandId, PieceNo},
    standing::{Doing, Line, PieceView, Standings},
};

use super::{Place, ruling::rulings_text, telling::piece_text};
use crate::program::print;

/// Which results, and how they are reported.
#[derive(Args, Clone, Debug)]
pub(crate) struct ResultsArgs {
    /// Which piece, counted from 1; all if left out
    #[arg(long)]
    piece: Option<u16>,
    /// Saves them as a table for spreadsheets, one row per athlete and one per split; - prints it
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
}

/// A table that was asked for.
pub(crate) struct WantedTable {
    pub(crate) command: CommandId,
    file: PathBuf,
}

impl ResultsArgs {
    /// Reports the results in words, or asks for their table.
    ///
    /// # Errors
    /// A sentence that says what to type.
    pub(crate) fn tell(
        &self,
        place: &Place<'_>,
        coach: &mut Coach,
    ) -> Result<Option<WantedTable>, String> {
        let piece = match self.piece {
            Some(nth) => Some(PieceNo(nth.checked_sub(1).ok_or("Pieces are counted from 1.")?)),
            None => None,
        };
        if let Some(file) = self.csv.clone() {
            return Ok(Some(WantedTable { command: coach.results_table(piece), file }));
        }
        let mirror = coach.mirror().ok_or("There is no connection yet; try again in a moment.")?;
        let (names, ranking) = (mirror.names(), mirror.now().settings.ranking);
        let is_meant = |view: &&PieceView| piece.is_none_or(|asked| asked == view.piece);
        let pieces: Vec<_> = mirror.now().pieces.iter().filter(is_meant).collect();
        if pieces.is_empty() && piece.is_some() {
            return Err("There is no such piece; status lists them.".into());
        }
        let overview = coach.overview();
        place.common.tell(json!({"event": "results", "pieces": pieces}), || {
            let told = pieces.iter().filter(|view| !view.results.is_empty()).map(|view| {
                let out =
                    overview.and_then(|overview| still_out(view, &overview.standings, &names));
                let mut results: Vec<_> = view.results.iter().collect();
                results.sort_by_key(|result| (result.place.is_none(), result.place));
                let lines = results.iter().map(|result| result_text(result, &names, ranking));
                let lines = std::iter::once(piece_text(view)).chain(lines);
                lines.chain(rulings_text(view, &names)).chain(out).collect::<Vec<_>>().join("\n")
            });
            let told = told.collect::<Vec<_>>().join("\n");
            if !told.is_empty() {
                return Some(told);
            }
            let now = mirror.current().map_or_else(String::new, piece_text);
            let text = format!("Nobody has a result yet; status shows how far everybody is. {now}");
            Some(text.trim_end().to_owned())
        });
        Ok(None)
    }
}

/// Who still rows a piece of which others are in; `None` when nobody does.
fn still_out(
    view: &PieceView,
    standings: &Standings,
    names: &BTreeMap<AthleteId, String>,
) -> Option<String> {
    let is_out = |line: &&Line| {
        let has_result = view.results.iter().any(|result| result.athlete == line.athlete);
        line.doing == Doing::Rowing && !has_result
    };
    let lines = standings.lines.iter().filter(|_| standings.piece == view.piece).filter(is_out);
    let out: Vec<&str> =
        lines.filter_map(|line| names.get(&line.athlete).map(String::as_str)).collect();
    (!out.is_empty()).then(|| format!("     still rowing: {}", out.join(", ")))
}

impl WantedTable {
    /// Saves the table, or prints it.
    ///
    /// # Errors
    /// A sentence, if the file cannot be written.
    pub(crate) fn keep(&self, place: &Place<'_>, table: &str) -> Result<(), String> {
        let file = self.file.display();
        if self.file.as_os_str() != "-" {
            fs::write(&self.file, table)
                .map_err(|error| format!("{file} cannot be written: {error}."))?;
            let line = json!({"event": "results_table", "file": file.to_string()});
            place.common.tell(line, || Some(format!("The table of results is in {file}.")));
        } else if place.common.json() {
            place.common.tell(json!({"event": "results_table", "csv": table}), || None);
        } else {
            print(table);
        }
        Ok(())
    }
}
