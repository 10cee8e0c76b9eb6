//! The time zone of this machine, which a new club begins with.

use std::{env, fs};

use thole_club::Zone;

/// As the variable `TZ` or the system's own link has it; UTC where neither names one.
pub(super) fn of_this_machine() -> Zone {
    let said = env::var("TZ").ok().map(|said| said.trim_start_matches(':').to_owned());
    let link = || fs::read_link("/etc/localtime").ok()?.to_str().map(str::to_owned);
    let linked = || link()?.split_once("zoneinfo/").map(|(_, name)| name.to_owned());
    let named = said.filter(|said| !said.is_empty()).or_else(linked);
    named.and_then(|name| name.parse().ok()).unwrap_or_else(Zone::utc)
}
