//! A roster as a table of text: name, team, target, plan, heart limit, past results, one athlete per line.

use std::{collections::BTreeSet, path::Path};

use thole_protocol::{
    spec::{Aim, AthleteSpec, Extent, PieceSpec, Plan, RosterEntry, Target},
    units::Bpm,
};

use crate::wording;

/// Reads a roster file.
///
/// # Errors
/// A sentence that says which line is wrong and how.
pub fn load(path: &Path, pieces: &[By]) -> Result<Roster, String> {
    let bytes = std::fs::read(path)
        .map_err(|e| format!("The roster {} cannot be read: {e}.", path.display()))?;
    let text = table_text(bytes).ok_or_else(|| {
        format!("{}: its characters cannot be read; save it as CSV in UTF-8.", path.display())
    })?;
    roster(&text, pieces).map_err(|says| format!("{}: {says}", path.display()))
}

/// The text of a table: UTF-8, or ISO 8859-1, in which older spreadsheets write Western European names.
fn table_text(bytes: Vec<u8>) -> Option<String> {
    let latin = |byte: &u8| (!(0x80..0xa0).contains(byte)).then(|| char::from(*byte));
    String::from_utf8(bytes)
        .or_else(|e| e.as_bytes().iter().map(latin).collect::<Option<_>>().ok_or(e))
        .ok()
}

/// What a piece is measured by, and so which targets fit it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum By {
    /// A finish or a pace is a target.
    Distance,
    /// A distance or a pace is a target.
    Time,
    /// Nothing is a target: it is over.
    Over,
}

impl By {
    /// What a piece that is not over is measured by.
    #[must_use]
    pub fn of(piece: &PieceSpec) -> By {
        match piece.repeats.first().map(|repeat| repeat.work) {
            Some(Extent::Time { .. }) => By::Time,
            Some(Extent::Distance { .. }) | None => By::Distance,
        }
    }

    fn fits(self, target: &Target) -> bool {
        match target {
            Target::Finish { .. } => self == By::Distance,
            Target::Distance { .. } => self == By::Time,
            Target::Pace { .. } => self != By::Over,
        }
    }
}

/// What a table contains.
#[derive(Clone, Debug, PartialEq)]
pub struct Roster {
    /// One athlete per line.
    pub entries: Vec<RosterEntry>,
    /// Columns of the heading that are not ours, as they are written there: nothing is read from them.
    pub unread: Vec<String>,
    /// Ours that something was read from, in their usual order.
    pub columns: Vec<&'static str>,
    /// What stands where a name should and looks like none, with the line that it is on, counted from 1.
    pub odd_names: Vec<(usize, String)>,
}

/// Whether this is what people are called: letters, and no sign that stands in a path, an address or a number.
fn looks_like_a_name(name: &str) -> bool {
    let is_odd = |c: char| "/\\@:;<>{}[]|=*~^_#%$+?!".contains(c);
    name.chars().any(char::is_alphabetic)
        && !name.starts_with(|c: char| c.is_ascii_digit())
        && !name.chars().any(is_odd)
}

/// The columns, in the order they have without a heading.
pub const COLUMNS: [&str; 6] = ["name", "team", "target", "plan", "heart_limit", "past"];

/// One athlete in words, as typed or as in a table; what is not known is `None`.
#[derive(Clone, Copy, Debug, Default)]
pub struct Words<'a> {
    /// What people call them.
    pub name: Option<&'a str>,
    /// Their team.
    pub team: Option<&'a str>,
    /// Their target for each piece.
    pub target: Option<&'a str>,
    /// How they mean to reach it.
    pub plan: Option<&'a str>,
    /// Beats a minute at which the coach is to be told.
    pub heart_limit: Option<&'a str>,
    /// What they rowed of this piece before, and how many days ago.
    pub past: Option<&'a str>,
}

/// Reads a roster: `name,team,target,plan,heart_limit,past`, with what is not known left empty. Columns are
/// separated by commas, semicolons or tabs, whichever the first line has. A first line with `name` in it is
/// the heading; it may have the columns in any order, and others as well. A pace is for each piece that is open, a
/// finish or a distance for the first that it fits.
///
/// # Errors
/// A sentence that says which line is wrong and how.
///
/// ```
/// use thole::roster::{By, roster};
/// let read = roster("name,team,target\nIda Fenn,Heron,5:06.0\n", &[By::Distance]).unwrap();
/// assert_eq!(read.entries[0].spec.team.as_deref(), Some("Heron"));
/// ```
pub fn roster(text: &str, pieces: &[By]) -> Result<Roster, String> {
    let (mut entries, mut unread) = (Vec::new(), Vec::new());
    let (mut columns_read, mut odd_names) = (BTreeSet::new(), Vec::new());
    let mut columns: Option<Vec<String>> = None;
    // Lines may end as on Windows or on an old Macintosh.
    let text = text.trim_start_matches('\u{feff}').replace("\r\n", "\n").replace('\r', "\n");
    let between = separator(text.lines().find(|line| !line.trim().is_empty()).unwrap_or_default());
    for (nth, line) in text.lines().enumerate() {
        let cells = cells(line, between).map_err(|says| format!("Line {}: {says}", nth + 1))?;
        if cells.iter().all(String::is_empty) {
            continue;
        }
        let heading = columns.is_none().then(|| heading(&cells));
        if heading == Some(None) && looks_like_heading(&cells) {
            return Err(format!(
                "Line {}: there is no column \"name\"; write it over the names.",
                nth + 1
            ));
        }
        let known = columns.get_or_insert_with(|| {
            heading.clone().flatten().unwrap_or_else(|| COLUMNS.map(str::to_owned).to_vec())
        });
        if heading.flatten().is_some() {
            let ours = |column: &str| COLUMNS.contains(&column) || column.is_empty();
            let others = known.iter().zip(&cells).filter(|(column, _)| !ours(column));
            unread.extend(others.map(|(_, written)| written.clone()));
            continue;
        }
        let cell = |column: &str| {
            let of = known.iter().zip(&cells).find(|(known, _)| *known == column);
            of.map(|(_, cell)| cell.as_str()).filter(|cell| !cell.is_empty())
        };
        let words = Words {
            name: cell("name"),
            team: cell("team"),
            target: cell("target"),
            plan: cell("plan"),
            heart_limit: cell("heart_limit"),
            past: cell("past"),
        };
        columns_read.extend((0..).zip(COLUMNS).filter(|(_, column)| cell(column).is_some()));
        let odd = words.name.filter(|name| !looks_like_a_name(name));
        odd_names.extend(odd.map(|name| (nth + 1, name.to_owned())));
        let entry = entry(words, pieces).map_err(|says| format!("Line {}: {says}", nth + 1))?;
        entries.push(entry);
    }
    if entries.is_empty() {
        return Err("There is nobody in it; write name,team,target,plan,heart_limit,past.".into());
    }
    let columns = columns_read.into_iter().map(|(_, column): (usize, _)| column).collect();
    Ok(Roster { entries, unread, columns, odd_names })
}

/// What occurs most often in the first line; a comma when nothing does.
fn separator(line: &str) -> char {
    let count = |mark: char| line.matches(mark).count();
    let mut best = ',';
    for mark in [';', '\t'] {
        if count(mark) > count(best) {
            best = mark;
        }
    }
    best
}

/// The columns that a heading names; `None` when the line is a person.
fn heading(cells: &[String]) -> Option<Vec<String>> {
    let plain = |cell: &String| cell.to_lowercase().replace([' ', '-'], "_");
    let names: Vec<String> = cells.iter().map(plain).collect();
    names.iter().any(|name| name == "name").then_some(names)
}

/// Whether a line that names none of our columns is meant as a heading all the same.
fn looks_like_heading(cells: &[String]) -> bool {
    let is_ours = |cell: &&String| COLUMNS.contains(&cell.to_lowercase().as_str());
    cells.iter().filter(is_ours).count() > 1 || cells.first().filter(is_ours).is_some()
}

/// One athlete from words.
///
/// # Errors
/// A sentence that says what to type.
pub fn entry(words: Words<'_>, pieces: &[By]) -> Result<RosterEntry, String> {
    let Words { name, team, target, plan, heart_limit, past } = words;
    let name = name.ok_or("The name is missing.")?.to_owned();
    let heart_limit_bpm = heart_limit
        .map(|typed| typed.parse().map(Bpm))
        .transpose()
        .map_err(|_| format!("The heart limit of {name} is beats a minute, such as 178."))?;
    let of = |says: String| format!("{name}: {says}");
    let history = past.map_or(Ok(Vec::new()), wording::past).map_err(of)?;
    let is_open = |by: &By| *by != By::Over;
    let open = pieces.iter().copied().filter(is_open).count();
    if !history.is_empty() && open > 1 {
        // With several pieces nobody could tell which one.
        return Err(format!(
            "{name}: past results are for one piece, and this session has {}; leave them out, \
             or make a session with one piece.",
            open
        ));
    }
    let aim = Aim {
        target: target.map(wording::target).transpose().map_err(of)?,
        plan: plan.map_or(Ok(Plan::Even), wording::plan).map_err(of)?,
        history,
    };
    // A finish is not a target for a piece by time; one that fits none is sent all the same, and the answer says
    // why not.
    let fits = |by: &By| aim.target.as_ref().is_none_or(|target| by.fits(target));
    let any = pieces.iter().any(|by| is_open(by) && fits(by));
    let takes = |by: &By| is_open(by) && (fits(by) || !any);
    // A finish belongs to one piece: carried on to another one it would be far off, and win the evening or spoil it.
    let is_for_all = matches!(aim.target, None | Some(Target::Pace { .. }));
    let first = pieces.iter().position(takes);
    let aim_of = |(at, by)| {
        if !takes(by) {
            Aim::default()
        } else if is_for_all || Some(at) == first {
            aim.clone()
        } else {
            Aim { target: None, ..aim.clone() }
        }
    };
    let is_unsaid = aim == Aim::default();
    let aims = if is_unsaid { Vec::new() } else { pieces.iter().enumerate().map(aim_of).collect() };
    let spec = AthleteSpec { name, team: team.map(str::to_owned), heart_limit_bpm };
    Ok(RosterEntry { spec, aims })
}

/// The cells of one line (RFC 4180, without line breaks in a cell, with any separator).
fn cells(line: &str, between: char) -> Result<Vec<String>, String> {
    let mut cells = Vec::new();
    let mut left = line;
    loop {
        left = left.trim_start_matches(|c: char| c.is_whitespace() && c != between);
        let Some(mut quoted) = left.strip_prefix('"') else {
            let (cell, behind) =
                left.split_once(between).map_or((left, None), |(c, b)| (c, Some(b)));
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
                left = behind.trim_start_matches(|c: char| c.is_whitespace() && c != between);
                break;
            };
            cell.push('"');
            quoted = more;
        }
        cells.push(cell);
        if left.is_empty() {
            return Ok(cells);
        }
        left = left
            .strip_prefix(between)
            .ok_or("there is something after a closing quotation mark.")?;
    }
}

#[cfg(test)]
mod tests {
    use thole_protocol::{
        spec::{PastResult, Target},
        units::Millis,
    };

    use super::*;

    #[test]
    fn a_table_with_and_without_heading_quotes_and_gaps() {
        let text = "\u{feff}Name,team,target,plan,heart_limit\r\n\
                    \"Fenn, Ida \"\"Fox\"\"\",Heron,1:58.4/500m,fast_start,178\n\
                    \n\
                    Bo Quist,,,,\n\
                    Uma Roe , Otter ,5:06.0\n";
        let roster = roster(text, &[By::Distance; 2]).unwrap().entries;
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
    fn a_heading_may_have_its_columns_in_any_order_and_others_beside_them() {
        let text =
            "Boat;Past;Heart limit;Name\n4-;7:11@40d+7:06.2@9d;;\"Fenn; Ida\"\n;;171;Bo Quist\n";
        let table = roster(text, &[By::Distance]).unwrap();
        assert_eq!(table.unread, ["Boat"], "so that a slip of the hand is seen");
        let read = table.entries;
        assert_eq!(read[0].spec.name, "Fenn; Ida");
        let finish = |ms| Target::Finish { finish_ms: Millis(ms) };
        let past = |days_ago, ms| PastResult { days_ago, result: finish(ms) };
        // Newest first, whatever the order they were typed in.
        assert_eq!(read[0].aims[0].history, [past(9, 426_200), past(40, 431_000)]);
        assert_eq!(read[0].aims[0].target, None);
        assert_eq!((read[1].spec.heart_limit_bpm, read[1].aims.len()), (Some(Bpm(171)), 0));
        assert_eq!(
            roster("name\tteam\n\tHeron", &[By::Distance]),
            Err("Line 2: The name is missing.".into())
        );
        assert_eq!(roster("Ida\t\t5:06.0", &[By::Distance]).unwrap().entries[0].spec.team, None);
        assert!(
            roster(text, &[By::Distance; 2])
                .unwrap_err()
                .contains("are for one piece, and this session has 2")
        );
    }

    #[test]
    fn a_target_is_for_the_pieces_that_it_fits() {
        let text = "Ida,,5:06\nBo,,3100m\nUma,,2:03/500m\nKai,,,even\n";
        let targets = |pieces: &[By]| -> Vec<Vec<bool>> {
            let entries = roster(text, pieces).unwrap().entries;
            let is_set = |aim: &Aim| aim.target.is_some();
            entries.iter().map(|entry| entry.aims.iter().map(is_set).collect()).collect()
        };
        let (yes, no) = (true, false);
        let both = [By::Distance, By::Time];
        assert_eq!(targets(&both), [vec![yes, no], vec![no, yes], vec![yes, yes], vec![]]);
        // A finish is for the first piece by distance, a pace for both.
        let two = [By::Distance, By::Distance];
        assert_eq!(targets(&two), [vec![yes, no], vec![yes, no], vec![yes, yes], vec![]]);
        // One that fits none is passed on, since the server says why not.
        assert_eq!(targets(&[By::Time]), [vec![yes], vec![yes], vec![yes], vec![]]);
        // Between two pieces: the one that is over takes none.
        assert_eq!(
            targets(&[By::Over, By::Distance]),
            [vec![no, yes], vec![no, yes], vec![no, yes], vec![]]
        );
    }

    #[test]
    fn it_is_said_what_was_read_and_which_lines_have_no_name() {
        let text =
            "Ida Fenn,,5:06\nfoo/bar\nJ\u{fc}rg O'Brien-Lima\n1700m\n\n\u{5c0f}\u{6797}\n6:31,5\n";
        let read = roster(text, &[By::Distance]).unwrap();
        assert_eq!(read.columns, ["name", "team", "target"]);
        let odd: Vec<_> =
            read.odd_names.iter().map(|(line, name)| (*line, name.as_str())).collect();
        assert_eq!(odd, [(2, "foo/bar"), (4, "1700m"), (7, "6:31")]);
        let read = roster("Target,Name\n,Ida Fenn\n", &[By::Distance]).unwrap();
        assert_eq!((read.columns, read.odd_names), (vec!["name"], vec![]));
    }

    #[test]
    fn a_table_of_an_older_spreadsheet_is_read_or_refused() {
        let text = |bytes: &[u8]| table_text(bytes.to_vec());
        assert_eq!(text(b"J\xfcrg").as_deref(), Some("J\u{fc}rg"));
        assert_eq!(text("J\u{fc}rg".as_bytes()).as_deref(), Some("J\u{fc}rg"));
        assert_eq!(text(b"\x8aime"), None);
        let entry = roster("J\u{fc}rg;;3:36,5", &[By::Distance]).unwrap().entries[0].clone();
        assert_eq!(entry.aims[0].target, Some(Target::Finish { finish_ms: Millis(216_500) }));
    }

    #[test]
    fn a_wrong_line_is_named_with_what_to_type() {
        for (text, says) in [
            ("", "nobody in it"),
            ("name,team\n", "nobody in it"),
            ("Ida,Heron,quick", "Line 1: Ida: \"quick\" is not a target"),
            ("Bo\n,Heron", "Line 2: The name is missing"),
            ("team,target\nHeron,5:06", "Line 1: there is no column \"name\""),
            ("Target,Verein\n5:06,Heron", "Line 1: there is no column \"name\""),
            ("\"Ida,Heron", "Line 1: a quotation mark"),
            ("\"Ida\" Fenn", "after a closing quotation mark"),
            ("Ida,,,,,7:06", "Line 1: Ida: \"7:06\" is not a past result"),
            ("name;past\nIda;7:06@9", "Line 2: Ida: \"7:06@9\" is not a past result"),
            ("Ida,,,,high", "beats a minute"),
        ] {
            let answer = roster(text, &[By::Distance]).expect_err(text);
            assert!(answer.contains(says), "{text}: {answer}");
        }
    }
}
