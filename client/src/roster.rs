//! A roster as a table of text: name, team, target, plan, heart limit, one athlete a line.

use std::path::Path;

use thole_protocol::{
    spec::{Aim, AthleteSpec, Plan, RosterEntry},
    units::Bpm,
};

use crate::wording;

/// Reads a roster file.
///
/// # Errors
/// A sentence that says which line is wrong and how.
pub fn load(path: &Path, pieces: usize) -> Result<Vec<RosterEntry>, String> {
    let text = std::fs::read_to_string(path)
        .map_err(|e| format!("The roster {} cannot be read: {e}.", path.display()))?;
    roster(&text, pieces).map_err(|says| format!("{}: {says}", path.display()))
}

/// Reads a roster: `name,team,target,plan,heart_limit`, what is not known left empty; a first line
/// that begins with `name` is the heading. The target is for each of so many pieces.
///
/// # Errors
/// A sentence that says which line is wrong and how.
///
/// ```
/// let roster = thole::roster::roster("name,team,target\nIda Fenn,Heron,5:06.0\n", 1).unwrap();
/// assert_eq!(roster[0].spec.team.as_deref(), Some("Heron"));
/// ```
pub fn roster(text: &str, pieces: usize) -> Result<Vec<RosterEntry>, String> {
    let mut entries = Vec::new();
    for (nth, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let cells = cells(line).map_err(|says| format!("Line {}: {says}", nth + 1))?;
        let heading = nth == 0 && cells.first().is_some_and(|c| c.eq_ignore_ascii_case("name"));
        if heading || cells.iter().all(String::is_empty) {
            continue;
        }
        let cell = |at: usize| cells.get(at).map(String::as_str).filter(|cell| !cell.is_empty());
        let entry = entry([cell(0), cell(1), cell(2), cell(3), cell(4)], pieces)
            .map_err(|says| format!("Line {}: {says}", nth + 1))?;
        entries.push(entry);
    }
    if entries.is_empty() {
        return Err("There is nobody in it; write name,team,target,plan,heart_limit.".into());
    }
    Ok(entries)
}

/// One athlete from the words for name, team, target, plan and heart limit.
///
/// # Errors
/// A sentence that says what to type.
pub fn entry(
    [name, team, target, plan, heart_limit]: [Option<&str>; 5],
    pieces: usize,
) -> Result<RosterEntry, String> {
    let name = name.ok_or("The name is missing.")?.to_owned();
    let heart_limit_bpm = heart_limit
        .map(|typed| typed.parse().map(Bpm))
        .transpose()
        .map_err(|_| format!("The heart limit of {name} is beats a minute, such as 178."))?;
    let of = |says: String| format!("{name}: {says}");
    let aim = Aim {
        target: target.map(wording::target).transpose().map_err(of)?,
        plan: plan.map_or(Ok(Plan::Even), wording::plan).map_err(of)?,
        history: Vec::new(),
    };
    let aims = if aim == Aim::default() { Vec::new() } else { vec![aim; pieces] };
    let spec = AthleteSpec { name, team: team.map(str::to_owned), heart_limit_bpm };
    Ok(RosterEntry { spec, aims })
}

/// The cells of one line (RFC 4180, without line breaks in a cell).
fn cells(line: &str) -> Result<Vec<String>, String> {
    let mut cells = Vec::new();
    let mut left = line;
    loop {
        left = left.trim_start();
        let Some(mut quoted) = left.strip_prefix('"') else {
            let (cell, behind) = left.split_once(',').map_or((left, None), |(c, b)| (c, Some(b)));
            cells.push(cell.trim().to_owned());
            let Some(behind) = behind else { return Ok(cells) };
            left = behind;
            continue;
        };
        let mut cell = String::new();
        loop {
            let (part, behind) = quoted.split_once('"').ok_or("a quotation mark is not closed.")?;
            cell.push_str(part);
            let Some(more) = behind.strip_prefix('"') else {
                left = behind.trim_start();
                break;
            };
            cell.push('"');
            quoted = more;
        }
        cells.push(cell);
        if left.is_empty() {
            return Ok(cells);
        }
        left = left.strip_prefix(',').ok_or("after a quoted cell comes a comma.")?;
    }
}

#[cfg(test)]
mod tests {
    use thole_protocol::{spec::Target, units::Millis};

    use super::*;

    #[test]
    fn a_table_with_and_without_heading_quotes_and_gaps() {
        let text = "\u{feff}Name,team,target,plan,heart_limit\r\n\
                    \"Fenn, Ida \"\"Fox\"\"\",Heron,1:58.4/500m,fast_start,178\n\
                    \n\
                    Bo Quist,,,,\n\
                    Uma Roe , Otter ,5:06.0\n";
        let roster = roster(text, 2).unwrap();
        assert_eq!(roster.len(), 3);
        assert_eq!(roster[0].spec.name, "Fenn, Ida \"Fox\"");
        assert_eq!(roster[0].spec.heart_limit_bpm, Some(Bpm(178)));
        assert_eq!(roster[0].aims.len(), 2);
        assert_eq!(roster[0].aims[1].plan, Plan::FastStart);
        assert_eq!((roster[1].spec.team.clone(), roster[1].aims.len()), (None, 0));
        assert_eq!(roster[2].spec.team.as_deref(), Some("Otter"));
        assert_eq!(roster[2].aims[0].target, Some(Target::Finish { finish_ms: Millis(306_000) }));
    }

    #[test]
    fn a_wrong_line_is_named_with_what_to_type() {
        for (text, says) in [
            ("", "nobody in it"),
            ("name,team\n", "nobody in it"),
            ("Ida,Heron,quick", "Line 1: Ida: \"quick\" is no target"),
            ("Bo\n,Heron", "Line 2: The name is missing"),
            ("\"Ida,Heron", "Line 1: a quotation mark"),
            ("\"Ida\" Fenn", "comma"),
            ("Ida,,,,high", "beats a minute"),
        ] {
            let answer = roster(text, 1).expect_err(text);
            assert!(answer.contains(says), "{text}: {answer}");
        }
    }
}
