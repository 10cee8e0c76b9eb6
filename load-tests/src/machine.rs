//! What is asked of the machine: processes on cores of their own, open files, and what /proc says about them.

use std::{
    fs,
    io::{self, BufRead, BufReader},
    net::SocketAddr,
    path::Path,
    process::{Child, Command, Stdio},
    time::Duration,
};

use rustix::{
    process::{Resource, Rlimit, getrlimit, setrlimit},
    thread::{CpuSet, sched_getaffinity, sched_setaffinity},
};

/// How long a server may take to stop, in checks of 10 ms: on a busy machine, with thousands who do not
/// answer.
const LOOKS_MAX: u32 = 3_000;
const LOOK_EVERY: Duration = Duration::from_millis(10);

/// Raises the limit of open files as far as the machine allows; returns it.
pub(crate) fn raise_open_files() -> u64 {
    let limit = getrlimit(Resource::Nofile);
    // Where it is refused, the old limit stands and is what is reported.
    let _ = setrlimit(Resource::Nofile, Rlimit { current: limit.maximum, maximum: limit.maximum });
    getrlimit(Resource::Nofile).current.unwrap_or(u64::MAX)
}

/// The server's core and the crowd's, where there are two.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cores {
    all: CpuSet,
    server: Option<CpuSet>,
}

impl Cores {
    /// Takes the first core for the server and leaves the rest to this process.
    pub(crate) fn share_out() -> Cores {
        let Ok(all) = sched_getaffinity(None) else {
            return Cores { all: CpuSet::new(), server: None };
        };
        let mut cores = (0..CpuSet::MAX_CPU).filter(|core| all.is_set(*core));
        let (Some(first), Some(_)) = (cores.next(), cores.next()) else {
            return Cores { all, server: None };
        };
        let (mut server, mut rest) = (CpuSet::new(), all);
        server.set(first);
        rest.unset(first);
        let pinned = sched_setaffinity(None, &rest).is_ok();
        Cores { all: if pinned { rest } else { all }, server: pinned.then_some(server) }
    }

    /// In words, for the report.
    pub(crate) fn told(&self) -> String {
        match self.server {
            Some(_) => {
                format!("the server alone on one core, the crowd on the other {}", self.all.count())
            }
            None => "server and crowd share the cores: this machine allows no pinning".to_owned(),
        }
    }
}

/// A server in a process of its own; it does not outlive this value.
#[derive(Debug)]
pub(crate) struct Process {
    child: Child,
    /// Where it listens.
    pub(crate) address: SocketAddr,
}

impl Process {
    /// Starts a program that says `listening on ADDRESS`, pinned to the server's core.
    ///
    /// # Errors
    /// It cannot be started, or says nothing of the kind.
    pub(crate) fn start(
        command: &mut Command,
        cores: &Cores,
        log: &Path,
    ) -> Result<Process, String> {
        let told = |error: &dyn std::fmt::Display| format!("the server cannot be started: {error}");
        let log = fs::OpenOptions::new().create(true).append(true).open(log);
        let log = log.map_err(|error| told(&error))?;
        // A child starts on the cores of the thread that starts it.
        if let Some(core) = &cores.server {
            sched_setaffinity(None, core).map_err(|error| told(&error))?;
        }
        let child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(log).spawn();
        if cores.server.is_some() {
            sched_setaffinity(None, &cores.all).map_err(|error| told(&error))?;
        }
        let mut child = child.map_err(|error| told(&error))?;
        let Some(said) = child.stdout.take() else { return Err(told(&"it has no output")) };
        let mut process = Process { child, address: SocketAddr::from(([127, 0, 0, 1], 0)) };
        let mut line = String::new();
        BufReader::new(said).read_line(&mut line).map_err(|error| told(&error))?;
        let address = line.trim().rsplit('/').next().and_then(|address| address.parse().ok());
        process.address =
            address.ok_or_else(|| told(&format!("it said {line:?} and no address")))?;
        Ok(process)
    }

    /// Its number.
    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    /// As `kill -9` does: no last word, no flush.
    pub(crate) fn kill(mut self) -> io::Result<()> {
        self.child.kill()?;
        self.child.wait()?;
        Ok(())
    }

    /// Asks it to stop, and waits.
    ///
    /// # Errors
    /// It does not stop, or says that it failed.
    pub(crate) fn stop(mut self) -> Result<(), String> {
        let told = |error: &dyn std::fmt::Display| format!("the server did not stop: {error}");
        let pid = i32::try_from(self.pid()).ok().and_then(rustix::process::Pid::from_raw);
        let pid = pid.ok_or_else(|| told(&"it has no number"))?;
        rustix::process::kill_process(pid, rustix::process::Signal::TERM)
            .map_err(|error| told(&error))?;
        for _ in 0..LOOKS_MAX {
            if let Some(status) = self.child.try_wait().map_err(|error| told(&error))? {
                return if status.success() { Ok(()) } else { Err(told(&status)) };
            }
            std::thread::sleep(LOOK_EVERY);
        }
        Err(told(&"it was asked to and took longer than 30 s"))
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended already; then there is nothing to do.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Processor time of a process.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Spent {
    /// In its own code, seconds.
    pub(crate) user_s: f64,
    /// In the kernel on its behalf, seconds.
    pub(crate) system_s: f64,
}

impl Spent {
    /// What a process has used so far (`/proc/PID/stat`, fields 14 and 15, proc(5)).
    ///
    /// # Errors
    /// There is no such process.
    pub(crate) fn of(pid: u32) -> Result<Spent, String> {
        let stat = read_proc(pid, "stat")?;
        // The name, in brackets, may contain spaces.
        let fields = stat.rsplit_once(')').map_or("", |(_, fields)| fields);
        let mut ticks = fields.split_whitespace().skip(11).map(|field| field.parse::<f64>());
        let (Some(Ok(user)), Some(Ok(system))) = (ticks.next(), ticks.next()) else {
            return Err(format!("/proc/{pid}/stat says {stat:?}"));
        };
        let per_s = rustix::param::clock_ticks_per_second() as f64;
        Ok(Spent { user_s: user / per_s, system_s: system / per_s })
    }

    /// Both together.
    pub(crate) fn all_s(self) -> f64 {
        self.user_s + self.system_s
    }

    /// What has been used since.
    pub(crate) fn since(self, before: Spent) -> Spent {
        Spent { user_s: self.user_s - before.user_s, system_s: self.system_s - before.system_s }
    }
}

/// Resident memory of a process in KiB (`VmRSS` of `/proc/PID/status`, proc(5)).
///
/// # Errors
/// There is no such process.
pub(crate) fn resident_kib(pid: u32) -> Result<u64, String> {
    let status = read_proc(pid, "status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    let size = line.and_then(|line| line.split_whitespace().next()?.parse().ok());
    size.ok_or_else(|| format!("/proc/{pid}/status does not tell the memory"))
}

/// The machine's load before and now, as the kernel reports it.
pub(crate) fn load() -> String {
    let told = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    told.split_whitespace().take(3).collect::<Vec<_>>().join(" ")
}

fn read_proc(pid: u32, what: &str) -> Result<String, String> {
    let path = format!("/proc/{pid}/{what}");
    fs::read_to_string(&path).map_err(|error| format!("{path}: {error}"))
}
