//! Load tests: `cargo run --release -p load-tests -- --help` says what can be tried, `README.md` what it means.

mod athlete;
mod checks;
mod clock;
mod cold;
mod crowd;
mod curve;
mod figures;
mod floor;
mod heard;
mod link;
mod machine;
mod opening;
mod rounds;
mod run;
mod settings;
mod sweep;
mod wire;

use std::{
    path::{Path, PathBuf},
    process::{Command, ExitCode},
    time::Duration,
};

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};

use machine::Cores;
use run::Tried;
use settings::Settings;

fn main() -> ExitCode {
    let settings = Settings::parse();
    match carry_out(&settings) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(says) => {
            eprintln!("{says}");
            ExitCode::FAILURE
        }
    }
}

/// Whether nothing was lost.
fn carry_out(settings: &Settings) -> Result<bool, String> {
    let files = machine::raise_open_files();
    if let Some(lengths) = &settings.be_floor {
        let lengths = serde_json::from_str(lengths).map_err(|error| error.to_string())?;
        floor::serve(lengths)?;
        return Ok(true);
    }
    if u64::from(settings.athletes) + 100 > files {
        return Err(format!(
            "this machine lets a process open {files} files: too few for {} athletes",
            settings.athletes
        ));
    }
    let program = settings.server.clone().map_or_else(built, Ok)?;
    let cores = Cores::share_out();
    println!("{}; {}; load {}", cores.told(), run::screens(settings), machine::load());
    println!("limits of the server that are raised for this: {}", run::RAISED.join(" "));
    let server = Tried::Server(program);
    if let Some(sessions) = settings.cold_start {
        cold::cold(settings, sessions, &server, &cores)?;
        return Ok(true);
    }
    if settings.opening {
        opening::opening(settings, &server, &cores)?;
        return Ok(true);
    }
    if settings.sweep {
        return sweep::sweep(settings, &server, &cores);
    }
    rounds::rounds(settings, &server, &cores)
}

/// The server of this workspace.
fn built() -> Result<PathBuf, String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap_or(Path::new("."));
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let built = Command::new(cargo)
        .args(["build", "--quiet", "--release", "-p", "thole-server"])
        .current_dir(root)
        .status();
    match built {
        Ok(status) if status.success() => {}
        Ok(status) => return Err(format!("the server cannot be built: {status}")),
        Err(error) => return Err(format!("the server cannot be built: {error}")),
    }
    let own = std::env::current_exe().map_err(|error| error.to_string())?;
    let folder = own.parent().ok_or("this program is in no folder")?;
    Ok(folder.join(format!("thole-server{}", std::env::consts::EXE_SUFFIX)))
}

/// A bar over the seconds that are measured.
fn bar(settings: &Settings, begin: &str) -> Result<ProgressBar, String> {
    let bar = ProgressBar::new(u64::from(settings.seconds));
    let style = ProgressStyle::with_template("{prefix} {bar:24} {pos:>4}/{len} s  {msg}");
    bar.set_style(style.map_err(|error| error.to_string())?);
    bar.set_prefix(begin.to_owned());
    bar.enable_steady_tick(Duration::from_secs(1));
    Ok(bar)
}
