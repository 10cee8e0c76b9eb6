//! How many files and connections the system lets this process have open.

use rustix::process::{Resource, getrlimit, setrlimit};

use crate::config::Settings;

/// Needed besides connections: the journal's files, what the runtime needs, pages that are asked for, and
/// some to spare.
const BESIDE: u64 = 64;

/// Raises the limit as far as the system allows, and permits no more connections than fit. If fewer fit than whoever
/// runs the server has asked for, that has to be looked into; the default number is an upper bound that nobody need
/// reach.
pub fn fit(settings: &mut Settings) {
    let mut limit = getrlimit(Resource::Nofile);
    if limit.current < limit.maximum {
        limit.current = limit.maximum;
        if let Err(error) = setrlimit(Resource::Nofile, limit) {
            tracing::warn!(%error, "the limit of open files cannot be raised");
            limit = getrlimit(Resource::Nofile);
        }
    }
    // `None` means no limit.
    let Some(files) = limit.current else { return };
    let Some((connections_max, asked_for)) = fewer(settings, files) else { return };
    let asked = settings.limits.connections;
    settings.limits.connections = connections_max;
    match asked_for {
        AskedFor::BySetting => tracing::warn!(
            files,
            asked,
            connections_max,
            "the limit of open files is lower than connections-max needs: raise it (LimitNOFILE, ulimit -n)"
        ),
        AskedFor::ByNobody => tracing::info!(
            files,
            connections_max,
            "as many connections are taken as the limit of open files has room for"
        ),
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum AskedFor {
    BySetting,
    ByNobody,
}

/// How many connections fit if that is fewer than the settings say, and whether somebody has set that number.
fn fewer(settings: &Settings, files: u64) -> Option<(usize, AskedFor)> {
    let fits = connections(files);
    let set = settings.differs.iter().any(|setting| setting.starts_with("connections-max="));
    let asked_for = if set { AskedFor::BySetting } else { AskedFor::ByNobody };
    (fits < settings.limits.connections).then_some((fits, asked_for))
}

/// How many connections fit into this many open files; one at least.
fn connections(files: u64) -> usize {
    usize::try_from(files.saturating_sub(BESIDE)).unwrap_or(usize::MAX).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::ServeArgs;

    #[test]
    fn too_few_files_are_warned_of_where_somebody_has_asked_for_more() {
        let settings = |most: Option<&str>| {
            let args = ServeArgs::default();
            let args = most.into_iter().fold(args, |args, most| args.with("connections-max", most));
            args.settings().unwrap()
        };
        assert_eq!(fewer(&settings(None), 20_000), Some((19_936, AskedFor::ByNobody)));
        assert_eq!(fewer(&settings(None), 30_000), None);
        assert_eq!(fewer(&settings(Some("30000")), 20_000), Some((19_936, AskedFor::BySetting)));
        assert_eq!(fewer(&settings(Some("500")), 20_000), None);
    }

    #[test]
    fn some_files_are_kept_for_what_is_no_connection() {
        assert_eq!((connections(1_024), connections(64), connections(0)), (960, 1, 1));
    }
}
