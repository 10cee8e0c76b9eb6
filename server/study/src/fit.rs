//! Fits the projection to past pieces: the rehearsal data, a club's own journal, or both.

mod judge;
mod net;
mod network;
mod past;
mod rivals;

use std::{fs, io::Write, path::PathBuf};

use indicatif::{ProgressBar, ProgressStyle};
use thole_piece::projection::Model;

pub use judge::{AtShare, Figures, figures, tau_b};
use net::NETS;
pub use network::{Effort, fitted};
pub use past::{Past, of_session, read};
pub use rivals::{Rival, SHARES};

use crate::model;

/// What to fit a projection model to, and where it is written.
#[derive(Clone, Debug, clap::Args)]
pub struct FitArgs {
    /// Past pieces, one JSON object a line, plain or gzip; several files count together
    #[arg(value_name = "FILE", required_unless_present = "data")]
    pub files: Vec<PathBuf>,
    /// The server's data folder: all finished pieces of its journal count too
    #[arg(long, value_name = "DIR")]
    pub data: Option<PathBuf>,
    /// Where the model is written; an older one there is replaced only by one that is no worse
    #[arg(long, value_name = "FILE", default_value = "projection.json")]
    pub out: PathBuf,
    /// What to call it: shown to coaches and kept in every journal
    #[arg(long, default_value = "own pieces")]
    pub name: String,
    /// The same pieces and the same seed give the same file
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// How many times to go through all the pieces
    #[arg(long, default_value_t = 100, value_parser = clap::value_parser!(u32).range(1..=1_000))]
    pub rounds: u32,
    /// Replace the model even by one that is worse on groups that were left out of the fit
    #[arg(long)]
    pub even_if_worse: bool,
}

/// Fewer groups than this cannot be divided into some to fit, some to widen and some to judge by.
const GROUPS_LEAST: usize = 10;
/// Fewer pieces than this teach nothing.
const PIECES_LEAST: usize = 100;
/// Out of a hundred groups, this many are left out to judge by …
const JUDGED: usize = 15;
/// … and this many to find out how wide intervals must be.
const WIDENED: usize = 15;
/// An error or a score that is worse by no more than this counts as no worse: chance alone moves them that
/// far.
const NO_WORSE: f64 = 1.01;

/// Past pieces, divided by groups.
pub struct Divided {
    /// To fit by.
    pub fit: Vec<Past>,
    /// To widen intervals by.
    pub widen: Vec<Past>,
    /// To judge by: the model has seen nothing of these groups.
    pub judge: Vec<Past>,
}

/// Fits a model to the pieces of the files and to those of a journal, reports how good it is, and writes it.
///
/// # Errors
/// One sentence: what cannot be read, what is too little, or that the new model is worse.
pub fn run(args: &FitArgs, of_journal: Vec<Past>, out: &mut dyn Write) -> Result<(), String> {
    let old = match fs::read_to_string(&args.out) {
        Ok(text) => Some(model::read(&text, &args.out.display().to_string())?),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => None,
        Err(error) => return Err(format!("{} cannot be read: {error}.", args.out.display())),
    };
    let mut pieces = past::read(&args.files)?;
    pieces.extend(of_journal);
    let divided = divided(pieces, args.seed)?;
    let told = |error: std::io::Error| format!("This cannot be written: {error}.");
    writeln!(
        out,
        "{} pieces to fit by, {} to widen by, {} to judge by, none of them of the same group.",
        divided.fit.len(),
        divided.widen.len(),
        divided.judge.len()
    )
    .map_err(told)?;
    let bar = ProgressBar::new(u64::from(args.rounds) * NETS as u64).with_style(style());
    let effort = Effort { rounds: args.rounds, ..Effort::default() };
    let file = network::fitted(&divided, &args.name, args.seed, effort, |round, loss| {
        bar.set_position(u64::from(round));
        bar.set_message(format!("loss {loss:.5}"));
    });
    bar.finish_and_clear();
    let model = Model::of(&file).map_err(|says| format!("The fit has failed: {says}"))?;
    let before = old.as_ref().map_or_else(Model::shipped, |(_, model)| model.clone().into());
    let (new, was) = (figures(&divided.judge, &model), figures(&divided.judge, &before));
    write!(out, "{}", table(&divided.judge, &new, &was, before.name())).map_err(told)?;
    let worse = new.worse_than(&was, NO_WORSE);
    if let (Some(worse), false) = (&worse, args.even_if_worse) {
        return Err(format!(
            "The new model is worse than {} on groups that were left out of the fit ({worse}), so \
             nothing was written. More pieces help; --even-if-worse writes it all the same.",
            before.name()
        ));
    }
    // It is judged as it is; what is written has also learnt from the groups that judged it.
    let mut all = divided;
    all.fit.append(&mut all.judge);
    let file = network::fitted(&all, &args.name, args.seed, effort, |round, loss| {
        bar.set_position(u64::from(round));
        bar.set_message(format!("all groups, loss {loss:.5}"));
    });
    bar.finish_and_clear();
    let text = model::written(&file)?;
    let part = args.out.with_extension("part");
    let wrong = |error| format!("{} cannot be written: {error}.", args.out.display());
    fs::write(&part, text).and_then(|()| fs::rename(&part, &args.out)).map_err(wrong)?;
    writeln!(
        out,
        "Written to {}. A server takes it with --projection-model {}.",
        args.out.display(),
        args.out.display()
    )
    .map_err(told)
}

/// Divides pieces by their groups: what is known of one member of a group says something about all of it.
///
/// # Errors
/// There are too few.
pub fn divided(pieces: Vec<Past>, seed: u64) -> Result<Divided, String> {
    let mut groups: Vec<String> = pieces.iter().map(|past| past.group.clone()).collect();
    groups.sort();
    groups.dedup();
    if groups.len() < GROUPS_LEAST || pieces.len() < PIECES_LEAST {
        return Err(format!(
            "{} finished pieces of {} groups are too few to learn from: at least {PIECES_LEAST} pieces of \
             {GROUPS_LEAST} groups are needed. The rehearsal pieces can be added to your own.",
            pieces.len(),
            groups.len()
        ));
    }
    network::shuffle(&mut groups, seed);
    let part = |of_hundred: usize| (groups.len() * of_hundred / 100).max(1);
    let judged = part(JUDGED);
    let widened = judged + part(WIDENED);
    let at = |past: &Past| groups.iter().position(|group| *group == past.group).unwrap_or(0);
    let mut all = Divided { fit: Vec::new(), widen: Vec::new(), judge: Vec::new() };
    for past in pieces {
        let place = at(&past);
        if place < judged {
            all.judge.push(past);
        } else if place < widened {
            all.widen.push(past);
        } else {
            all.fit.push(past);
        }
    }
    Ok(all)
}

fn style() -> ProgressStyle {
    ProgressStyle::with_template("{bar:40} {pos}/{len} rounds, {eta} to go, {msg}")
        .unwrap_or_else(|_| ProgressStyle::default_bar())
}

/// Every figure beside those of the old model and of plain ways to project.
fn table(judged: &[Past], new: &Figures, was: &Figures, old: &str) -> String {
    let mut text = format!("On {} pieces of groups left out of the fit:\n\n", judged.len());
    text += &new.beside(was, old);
    text += "\nMean error in % of the result, with other ways to project:\n";
    for rival in Rival::ALL {
        text += &rival.line(judged);
    }
    text
}
