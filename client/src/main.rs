//! The program `thole`: an athlete, a coach or a board at the command line.

mod program;

use std::{path::PathBuf, process::ExitCode};

use clap::{CommandFactory, Parser, Subcommand};
use clap_complete::Shell;
use program::{Common, board, coach, manual, row};

/// Row, coach or watch a group session on rowing machines, everybody against a target of their own
#[derive(Parser)]
#[command(name = "thole", version)]
struct Program {
    #[command(subcommand)]
    task: Task,
    #[command(flatten)]
    common: Common,
}

#[derive(Subcommand)]
enum Task {
    /// Rows in a session: from a recording, from a machine's bridge, or as an invented athlete
    Row(Box<row::RowArgs>),
    /// Makes a session, or leads one
    Coach(Box<coach::CoachArgs>),
    /// Shows where everybody stands
    Board(board::BoardArgs),
    /// Writes manual pages into a folder: one for the program and one for each command
    Man {
        /// Created if it does not exist; meant for a folder named man1 in the search path of `man`
        folder: PathBuf,
    },
    /// Prints a script with which a shell completes this program's commands and options
    Completions {
        /// Which shell it is for
        shell: Shell,
    },
}

fn main() -> ExitCode {
    let Program { task, common } = Program::parse();
    let runtime = match tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
    {
        Ok(runtime) => runtime,
        Err(error) => {
            return program::failed(&common, &format!("The program cannot start: {error}.").into());
        }
    };
    let done = runtime.block_on(async {
        match task {
            Task::Row(args) => row::run(&common, *args).await,
            Task::Coach(args) => coach::run(&common, *args).await,
            Task::Board(args) => board::run(&common, args).await,
            Task::Man { folder } => Ok(manual::pages(Program::command(), &folder)?),
            Task::Completions { shell } => {
                manual::completions(Program::command(), shell, &mut std::io::stdout().lock());
                Ok(())
            }
        }
    });
    // A thread waiting for standard input must not keep the program alive.
    runtime.shutdown_background();
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => program::failed(&common, &why),
    }
}
