//! Lists for people to read: columns under each other.

use std::borrow::Cow;

use thole_club::{Deed, Zone};
use thole_protocol::{
    club::Group,
    results_table::{mark_text, ruling_texts},
    shown::{Tenths, distance_text, time_text, total_text},
    standing::Outcome,
    total::Margin,
};

use crate::club::store::{Listed, PersonLine};

/// So much of an identity tells results apart for a person who types it; `--json` has all of it.
const BEGINNING: usize = 8;

/// People with how much is known of each.
pub(super) fn people(all: &[PersonLine]) -> String {
    if all.is_empty() {
        return "Nobody is found. `thole-server club add NAME` adds somebody to the club.\n"
            .to_owned();
    }
    let row = |line: &PersonLine| {
        vec![
            beginning(&line.person.person.to_string()),
            line.person.called.clone(),
            line.person.born_year.map(|year| year.to_string()).unwrap_or_default(),
            line.results.to_string(),
            line.last_day.clone().unwrap_or_default(),
        ]
    };
    columns(&["", "name", "born", "results", "newest"], all.iter().map(row))
}

/// Groups with the coach who has each.
pub(super) fn groups(all: &[Group]) -> String {
    if all.is_empty() {
        return "There is no group yet; coaches make them under People.\n".to_owned();
    }
    let row = |group: &Group| {
        let coach = match (&group.coach, &group.had_by) {
            (Some(coach), _) => coach.called.clone(),
            (None, Some(had_by)) => format!("head coach (was {had_by}'s)"),
            (None, None) => "head coach".to_owned(),
        };
        let members: Vec<&str> = group.members.iter().map(|one| one.called.as_str()).collect();
        vec![group.called.clone(), coach, members.join(", ")]
    };
    columns(&["group", "coach", "people"], all.iter().map(row))
}

/// Results; says so where there are more.
pub(super) fn results(all: &[Listed], most: u32) -> String {
    if all.is_empty() {
        return "There is no such result.\n".to_owned();
    }
    let mut text = columns(
        &["", "day", "name", "piece", "result", "target", "ahead", "place", "title", "remarks"],
        all.iter().map(result),
    );
    if u32::try_from(all.len()).is_ok_and(|count| count == most) {
        text.push_str(&format!("These are the newest {most}; --most shows more.\n"));
    }
    text
}

/// Which pieces there are when nobody has rowed the one that was asked for, most often rowed first.
pub(super) fn no_such_piece(works: &[(String, u32)]) -> String {
    let known: Vec<String> =
        works.iter().map(|(work, results)| format!("{work} ({results})")).collect();
    match known.as_slice() {
        [] => "There is no such result, and none of any other piece.\n".to_owned(),
        [..] => {
            format!("There is no such result. Pieces with results are: {}.\n", known.join(", "))
        }
    }
}

/// What was done; what can be undone has its number in front.
pub(super) fn deeds(all: &[Deed], zone: &Zone) -> String {
    if all.is_empty() {
        return "Nothing was done.\n".to_owned();
    }
    let state = |of: &Deed| match (of.undone_unix_ms, of.can_be_undone) {
        (Some(_), _) => "undone",
        (None, true) => "",
        (None, false) => "can be undone no more",
    };
    let row = |of: &Deed| {
        vec![
            of.deed.to_string(),
            zone.day(of.at_unix_ms).to_string(),
            of.kind.to_string(),
            of.people.join(", "),
            of.who.clone(),
            state(of).to_owned(),
            of.reason.clone().unwrap_or_default(),
        ]
    };
    columns(&["", "day", "what", "people", "by", "", "reason"], all.iter().map(row))
}

fn result(of: &Listed) -> Vec<String> {
    let name = of.name.clone().unwrap_or_else(|| "?".to_owned());
    let guest = if of.person.is_none() { " (guest)" } else { "" };
    vec![
        beginning(&of.result),
        of.day.clone(),
        format!("{name}{guest}"),
        of.work.clone(),
        rowed(of),
        of.target.map(total_text).unwrap_or_default(),
        of.margin.map(ahead).unwrap_or_default(),
        of.place.map(|place| place.to_string()).unwrap_or_default(),
        of.title.clone(),
        remarks(of),
    ]
}

/// What a coach has ruled, with the reasons and whose they are; then what else the reader should know.
fn remarks(of: &Listed) -> String {
    let mut remarks: Vec<String> =
        of.is_official.then(|| "official".to_owned()).into_iter().collect();
    remarks.extend(ruling_texts(&of.ruling).into_iter().map(Cow::into_owned));
    let reasons = of.corrections.iter().map(|correction| {
        let by = correction.ruled.by.as_ref().map(|by| format!(" ({by})")).unwrap_or_default();
        let reason = correction.reason.as_deref().unwrap_or("a reason that is not known any more");
        // A line of the list is one line.
        let reason = reason.split_whitespace().collect::<Vec<_>>().join(" ");
        format!("because: {reason}{by}")
    });
    remarks.extend(reasons);
    remarks.extend(of.marks.iter().map(|mark| mark_text(*mark).to_owned()));
    remarks.join("; ")
}

/// The finish as it was shown; of athletes who did not finish, what they rowed.
fn rowed(of: &Listed) -> String {
    let part = || {
        let time = time_text(of.time_ms, Tenths::Always);
        format!("{} in {time}", distance_text(of.distance_dm))
    };
    match (of.outcome, of.shown) {
        (Outcome::Finished, Some(shown)) => total_text(shown),
        (Outcome::Finished, None) => part(),
        (Outcome::Stopped, _) => format!("stopped, {}", part()),
        (Outcome::Unfinished, _) => format!("unfinished, {}", part()),
        (Outcome::Unheard, _) => format!("signal lost, {}", part()),
        (Outcome::DidNotStart, _) => "did not start".to_owned(),
    }
}

fn ahead(margin: Margin) -> String {
    format!("{:+.1} %", f64::from(margin.margin_ppm.0) / 1e4)
}

pub(super) fn beginning(id: &str) -> String {
    id.chars().take(BEGINNING).collect()
}

pub(super) fn columns(heads: &[&str], rows: impl Iterator<Item = Vec<String>>) -> String {
    let heads = heads.iter().map(|head| (*head).to_owned()).collect();
    let all: Vec<Vec<String>> = std::iter::once(heads).chain(rows).collect();
    let width = |at: usize| {
        let cells = all.iter().filter_map(|row| row.get(at));
        cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..all.first().map_or(0, Vec::len)).map(width).collect();
    let mut text = String::new();
    for row in &all {
        let cells = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:width$}"));
        text.push_str(cells.collect::<Vec<_>>().join("  ").trim_end());
        text.push('\n');
    }
    text
}
