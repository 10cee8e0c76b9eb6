//! The program: `thole-server serve`, `demo` and `replay`.

use std::{
    io::{IsTerminal, Write},
    net::SocketAddr,
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
    thread::available_parallelism,
    time::Duration,
};

use clap::{Args, CommandFactory, Parser, Subcommand};
use clap_complete::Shell;
use mimalloc::MiMalloc;
use thole_server::{
    Running,
    authority::{self, Certificate},
    backup::{self, BackupArgs, RestoreArgs},
    clock::Clock,
    club::{
        self, ClubError, Store,
        command::{self, ClubArgs},
    },
    config::{ServeArgs, Settings},
    demo::{self, DemoArgs},
    gathering::gather,
    inspect::{self, CheckArgs, JournalArgs, SalvageArgs},
    journal::sqlite::SqliteJournal,
    logs::{self, LogFormat},
    makers::{self, Makers},
    manual, open_files,
    printed::Printed,
    start,
};
use thole_study::{
    fit::{self, FitArgs},
    replay::{self, ReplayArgs},
};
use tokio::{
    runtime::{Builder, Runtime},
    signal::unix::{SignalKind, signal},
    time::timeout,
};

/// A server that stops waits no longer for whoever is erasing: it goes on at the next start.
const CLOSING_MAX: Duration = Duration::from_secs(2);

/// Thousands of connections keep asking for small pieces of memory, and give them back elsewhere.
#[global_allocator]
static ALLOCATOR: MiMalloc = MiMalloc;

/// A server for group sessions on rowing machines: everybody against a target of their own.
#[derive(Parser)]
#[command(version)]
struct Program {
    #[command(subcommand)]
    task: Task,
}

#[derive(Subcommand)]
enum Task {
    /// Runs the service until it is stopped
    Serve(Box<ServeArgs>),
    /// Makes a new link for the head coach, by which sessions are made; the old one opens nothing any more
    CoachLink(CoachLinkArgs),
    /// Rows an invented class for you to look at, until it is stopped
    Demo(DemoArgs),
    /// Runs recorded pieces, or a session of a journal, through the core and prints JSON lines
    Replay(ReplayArgs),
    /// Fits the projected finish to past pieces, and says how good it is
    Fit(FitArgs),
    /// Reads all of a journal, and the club beside it, and says what in them is not as it was written
    Check(CheckArgs),
    /// Saves what can be read of a damaged journal into a new file
    Salvage(SalvageArgs),
    /// Prints the records of a session
    Journal(JournalArgs),
    /// Looks after people and their results, beyond one session
    Club(ClubArgs),
    /// Copies the journal into a file, and the club into one beside it, even while a server is using them
    Backup(BackupArgs),
    /// Puts a copy into an empty folder, for a server to go on from it
    Restore(RestoreArgs),
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

/// Where the key is kept, and what its link begins with.
#[derive(Args)]
struct CoachLinkArgs {
    /// Folder of the journal
    #[arg(long, env = "THOLE_DATA", default_value = "thole-data", value_name = "FOLDER")]
    data: PathBuf,
    /// The server's address as the coach types it, such as https://club.local:8737 [default: as it listens]
    #[arg(long)]
    address: Option<String>,
}

fn main() -> ExitCode {
    let task = Program::parse().task;
    let done = match task {
        Task::Serve(args) => runtime().and_then(|runtime| {
            let served = runtime.block_on(serve(*args));
            // A session that is just being recomputed is not waited for: nobody will row in it.
            runtime.shutdown_background();
            served
        }),
        Task::CoachLink(args) => coach_link(&args),
        // The demo tells its own story; a log between its lines would only hide it.
        Task::Demo(args) => logs::begin("warn", LogFormat::Text).and_then(|()| demo(&args)),
        Task::Replay(args) => logs::begin("info", LogFormat::Text).and_then(|()| replay(&args)),
        Task::Fit(args) => logs::begin("info", LogFormat::Text).and_then(|()| fit(&args)),
        Task::Check(args) => check(&args),
        Task::Salvage(args) => salvage(&args),
        Task::Journal(args) => journal(&args),
        Task::Club(args) => club(&args),
        Task::Backup(args) => backup::backup(&args).and_then(|says| copied(&says, &args.file)),
        Task::Restore(args) => {
            let restored = backup::restore(&args);
            restored.and_then(|says| copied(&says, &args.data.join("thole.db")))
        }
        Task::Man { folder } => {
            manual::pages(Program::command(), &folder).map(|()| ExitCode::SUCCESS)
        }
        Task::Completions { shell } => {
            manual::completions(Program::command(), shell, &mut Printed::here());
            Ok(ExitCode::SUCCESS)
        }
    };
    done.unwrap_or_else(|says| {
        eprintln!("{says}");
        ExitCode::FAILURE
    })
}

#[tokio::main]
async fn demo(args: &DemoArgs) -> Result<ExitCode, String> {
    demo::run(args).await?;
    Ok(ExitCode::SUCCESS)
}

#[tokio::main(flavor = "current_thread")]
async fn replay(args: &ReplayArgs) -> Result<ExitCode, String> {
    let session = match (&args.data, &args.session) {
        (Some(data), Some(code)) => Some(inspect::session(data, code).await?),
        // The arguments name both or neither.
        _ => None,
    };
    replay::run(args, session, &mut Printed::here())?;
    Ok(ExitCode::SUCCESS)
}

/// What was done, and what is damaged in the copy as it was in the journal, with an exit code that a script
/// can check.
#[tokio::main(flavor = "current_thread")]
async fn copied(says: &str, file: &Path) -> Result<ExitCode, String> {
    let mut out = Printed::here();
    writeln!(out, "{says}").map_err(|error| error.to_string())?;
    inspect::copied(file, &mut out).await.map(code)
}

/// A script can tell from this, too, whether something is wrong.
fn code(is_well: bool) -> ExitCode {
    if is_well { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

#[tokio::main(flavor = "current_thread")]
async fn check(args: &CheckArgs) -> Result<ExitCode, String> {
    let mut out = Printed::here();
    let is_well = inspect::check(args, &mut out).await?;
    if !club::file(&args.data).exists() {
        return Ok(code(is_well));
    }
    // Whatever state the journal is in: each of the two can be repaired on its own.
    let club = Store::open_read_only(&args.data)?;
    Ok(code(command::check(&club, &mut out)? && is_well))
}

#[tokio::main(flavor = "current_thread")]
async fn salvage(args: &SalvageArgs) -> Result<ExitCode, String> {
    inspect::salvage(args, &mut Printed::here()).await?;
    Ok(ExitCode::SUCCESS)
}

#[tokio::main(flavor = "current_thread")]
async fn journal(args: &JournalArgs) -> Result<ExitCode, String> {
    inspect::journal(args, &mut Printed::here()).await?;
    Ok(ExitCode::SUCCESS)
}

#[tokio::main(flavor = "current_thread")]
async fn club(args: &ClubArgs) -> Result<ExitCode, String> {
    command::run(args, &mut Printed::here()).await.map(code)
}

#[tokio::main(flavor = "current_thread")]
async fn fit(args: &FitArgs) -> Result<ExitCode, String> {
    let mut past = Vec::new();
    if let Some(data) = &args.data {
        inspect::each_session(data, |session| past.extend(fit::of_session(&session))).await?;
    }
    fit::run(args, past, &mut Printed::here())?;
    Ok(ExitCode::SUCCESS)
}

/// The link goes to a person who is watching, or into a file; a running server uses the new key at once.
fn coach_link(args: &CoachLinkArgs) -> Result<ExitCode, String> {
    if !args.data.is_dir() {
        let data = args.data.display();
        return Err(format!("data: {data} is not a folder; name the server's, with --data."));
    }
    let address = args.address.clone().or_else(|| makers::address(&args.data));
    let address = address.unwrap_or_else(|| makers::USUAL_ADDRESS.to_owned());
    let link = makers::link(address.trim_end_matches('/'), makers::new_key(&args.data)?);
    let says = if std::io::stdout().is_terminal() {
        link
    } else {
        makers::keep_link(&args.data, &link)?.display().to_string()
    };
    writeln!(Printed::here(), "{says}").map_err(|error| error.to_string())?;
    Ok(ExitCode::SUCCESS)
}

/// Makes the head coach's key at the first start, and leaves the machine's own for programs beside the server.
fn prepare_keys(running: &Running, data: &Path, address: &str) -> Result<(), String> {
    running.server.makers.leave_machine_key(data, address)?;
    let Makers::Keys { .. } = running.server.makers else {
        eprintln!("OPEN: whoever can reach this server may make sessions on it.");
        return Ok(());
    };
    let Some(key) = makers::first_key(data)? else { return Ok(()) };
    let link = makers::link(address, key);
    if std::io::stderr().is_terminal() {
        eprintln!(
            "The head coach's link, by which sessions are made; it is shown only this once:\n\n  {link}\n"
        );
    } else {
        let file = makers::keep_link(data, &link)?;
        tracing::info!(file = %file.display(), "the head coach's link, by which sessions are made, was written");
    }
    Ok(())
}

/// One core needs no threads to share the work; several are all used.
fn runtime() -> Result<Runtime, String> {
    let one_core = available_parallelism().is_ok_and(|cores| cores.get() == 1);
    let mut builder = if one_core {
        let mut builder = Builder::new_current_thread();
        gather(&mut builder, Clock::new(1));
        builder
    } else {
        Builder::new_multi_thread()
    };
    builder.enable_all().build().map_err(|error| format!("the server cannot start: {error}"))
}

async fn serve(args: ServeArgs) -> Result<ExitCode, String> {
    let names = std::env::vars_os().filter_map(|(name, _)| name.into_string().ok());
    ServeArgs::check_environment(names)?;
    let settings = args.settings()?;
    logs::begin("info", settings.log_format)?;
    let mut settings = settings;
    open_files::fit(&mut settings);
    let journal = SqliteJournal::open(&settings.data).map_err(|error| error.to_string())?;
    let club = open_club(&settings.data)?;
    prepare_certificate(&settings)?;
    let (scheme, speed) = (if settings.tls.is_some() { "https" } else { "http" }, settings.speed);
    let names = settings.self_made.clone().unwrap_or_default();
    let (data, differs) = (settings.data.clone(), settings.differs.join(" "));
    let running = start(settings, Arc::new(journal)).await?;
    let taking = club::taking::begin(&running.server, club);
    let leaving = club::leaving::begin(&running.server);
    let erases = running.server.erases.clone();
    let (version, listen) = (env!("CARGO_PKG_VERSION"), running.address);
    let model = running.server.forecasts.told().model;
    tracing::info!(version, %listen, data = %data.display(), settings = differs, model, "started");
    if speed > 1 {
        eprintln!(
            "REHEARSAL: this server runs {speed} times faster than real time; nothing here is a real result."
        );
    }
    for name in &names {
        eprintln!("for devices: {scheme}://{}", with_port(name, running.address.port()));
    }
    if !names.is_empty() && running.address.ip().is_loopback() {
        eprintln!(
            "Nobody else can reach it: it listens on this machine only. Add --listen 0.0.0.0:{}.",
            running.address.port()
        );
    }
    let own = names.first().map_or_else(
        || here(scheme, running.address),
        |name| format!("{scheme}://{}", with_port(name, running.address.port())),
    );
    prepare_keys(&running, &data, &own)?;
    // Before anybody is told that it listens: whoever stops it on reading that stops it cleanly.
    let mut terminate = signal(SignalKind::terminate()).map_err(|error| error.to_string())?;
    // Whoever started it may have stopped reading; nobody who rows is to notice.
    let mut out = std::io::stdout();
    let _ = writeln!(out, "listening on {scheme}://{}", running.address).and_then(|()| out.flush());
    eprintln!(
        "In a browser, {} leads coach and athletes to their pages.",
        here(scheme, running.address)
    );
    tokio::select! {
        // At once, and without a word to anybody: nothing more can be promised.
        failed = running.failed() => return Err(failed),
        _ = terminate.recv() => {}
        done = tokio::signal::ctrl_c() => done.map_err(|error| error.to_string())?,
    }
    tracing::info!(
        "stopping: what has come in becomes durable, clients come back to the next start"
    );
    running.stop().await;
    // A thread may have the club's file open for a moment, to erase: only once it is closed is nothing left ahead of it.
    let _nobody = timeout(CLOSING_MAX, erases.acquire()).await;
    // What it has not taken by now is taken from the journal at the next start.
    for task in [taking, leaving] {
        task.abort();
        // Waited for, so that its file is closed and nothing of it is left in a write-ahead file.
        if let Err(error) = task.await
            && error.is_panic()
        {
            tracing::error!(%error, "a task of the club's has ended because of a bug");
        }
    }
    tracing::info!("stopped");
    Ok(ExitCode::SUCCESS)
}

/// The club's file; `None` for one that cannot be used now, which keeps nobody from rowing. A file from a newer program does
/// keep the server from starting: whoever put the old program in its place should know.
/// has put an old one in its place is to know.
fn open_club(data: &Path) -> Result<Option<Store>, String> {
    match Store::open(data) {
        Ok(store) => Ok(Some(store)),
        Err(error @ ClubError::Newer { .. }) => Err(error.into()),
        Err(error) => {
            tracing::error!(%error, "the server goes on without its club; results are taken as soon as it works");
            Ok(None)
        }
    }
}

/// Makes the certificate that was asked for, or says what has to be known about the one that is there.
fn prepare_certificate(settings: &Settings) -> Result<(), String> {
    let Some(names) = &settings.self_made else { return Ok(()) };
    match authority::prepare(&settings.data, names, Clock::new(1))? {
        Certificate::Made(says) => eprintln!("{says}"),
        Certificate::Known { authority, ends_soon } => {
            eprintln!("devices have to trust {}", authority.display());
            ends_soon.iter().for_each(|says| eprintln!("{says}"));
        }
    }
    Ok(())
}

/// The server's own address as a browser on the same machine would ask for it.
fn here(scheme: &str, address: SocketAddr) -> String {
    if address.ip().is_unspecified() {
        format!("{scheme}://localhost:{}", address.port())
    } else {
        format!("{scheme}://{address}")
    }
}

/// As it is written in a URL: an IPv6 address goes in brackets (RFC 3986, 3.2.2).
fn with_port(name: &str, port: u16) -> String {
    if name.contains(':') { format!("[{name}]:{port}") } else { format!("{name}:{port}") }
}
