//! How many files and connections the system lets this process have open.

use rustix::process::{Resource, getrlimit, setrlimit};

use crate::limits::Limits;

/// Beside connections: the journal's files, what the runtime needs, pages that are asked for, some to spare.
const BESIDE: u64 = 64;

/// Raises the limit as far as the system lets it, and allows no more connections than fit.
pub fn fit(limits: &mut Limits) {
    let mut limit = getrlimit(Resource::Nofile);
    if limit.current < limit.maximum {
        limit.current = limit.maximum;
        if let Err(error) = setrlimit(Resource::Nofile, limit) {
            tracing::warn!(%error, "the limit of open files cannot be raised");
            limit = getrlimit(Resource::Nofile);
        }
    }
    // None is no limit.
    let Some(files) = limit.current else { return };
    let fits = connections(files);
    if fits < limits.connections {
        let asked = limits.connections;
        tracing::warn!(
            files,
            asked,
            connections_max = fits,
            "the limit of open files is lower than connections-max needs: raise it (LimitNOFILE, ulimit -n)"
        );
        limits.connections = fits;
    }
}

/// How many connections fit into so many open files; one at least.
fn connections(files: u64) -> usize {
    usize::try_from(files.saturating_sub(BESIDE)).unwrap_or(usize::MAX).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn some_files_are_kept_for_what_is_no_connection() {
        assert_eq!((connections(1_024), connections(64), connections(0)), (960, 1, 1));
    }
}
