//! One cell: what keeps a spreadsheet from taking it for a formula, and how it is written and read back.

use std::borrow::Cow;

use csv::{Terminator, WriterBuilder};

/// What a formula begins with (OWASP, CSV injection), in the usual and the full width.
const BEGINS: [char; 11] = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];
const APOSTROPHE: char = '\'';
/// Without it spreadsheets take the names for something else than UTF-8.
const MARK_OF_UTF8: &str = "\u{feff}";

/// A text as it stands in an export: with an apostrophe in front where a spreadsheet would take it for a formula, or where it
/// begins with an apostrophe that would be taken off.
///
/// ```
/// use thole_club::table::cells::{guarded, unguarded};
/// assert_eq!(guarded("=1+1"), "'=1+1");
/// assert_eq!(guarded("'t Hart"), "'t Hart");
/// assert_eq!(unguarded("'=1+1"), "=1+1");
/// ```
#[must_use]
pub fn guarded(text: &str) -> Cow<'_, str> {
    if begins_a_formula(text) || is_guarded(text) {
        Cow::Owned(format!("{APOSTROPHE}{text}"))
    } else {
        Cow::Borrowed(text)
    }
}

/// The text of a cell; the other way round.
#[must_use]
pub fn unguarded(cell: &str) -> &str {
    if is_guarded(cell) { cell.strip_prefix(APOSTROPHE).unwrap_or(cell) } else { cell }
}

/// Some programs leave out the spaces before they look.
fn begins_a_formula(text: &str) -> bool {
    text.starts_with(BEGINS) || text.trim_start().starts_with(BEGINS)
}

/// An apostrophe that an export may have put there.
fn is_guarded(text: &str) -> bool {
    let behind = text.strip_prefix(APOSTROPHE);
    behind.is_some_and(|behind| begins_a_formula(behind) || behind.starts_with(APOSTROPHE))
}

/// Rows as a file that spreadsheets read: with a mark of its encoding, commas, and lines that end as RFC 4180 has it.
///
/// # Panics
/// Never: writing into memory does not fail, and every row has as many cells as the heading.
#[must_use]
pub fn written<const COLUMNS: usize>(
    heading: [&str; COLUMNS],
    rows: impl Iterator<Item = [String; COLUMNS]>,
) -> String {
    let mut table = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(Vec::new());
    table.write_record(heading).expect("it goes into memory");
    for row in rows {
        let cells = row.iter().map(|cell| guarded(cell).into_owned());
        table.write_record(cells).expect("rows are alike and go into memory");
    }
    let bytes = table.into_inner().expect("it goes into memory");
    let text = String::from_utf8(bytes).expect("cells are text");
    format!("{MARK_OF_UTF8}{text}")
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn what_a_spreadsheet_would_reckon_gets_an_apostrophe_and_a_name_with_one_keeps_its_own() {
        for (text, cell) in [
            ("=HYPERLINK(\"x\")", "'=HYPERLINK(\"x\")"),
            ("+49 170", "'+49 170"),
            ("-1", "'-1"),
            ("@Ana", "'@Ana"),
            ("\tAna", "'\tAna"),
            (" =1", "' =1"),
            ("＝1", "'＝1"),
            ("'t Hart", "'t Hart"),
            ("'=x", "''=x"),
            ("''x", "'''x"),
            ("'", "'"),
            ("", ""),
            ("Ana", "Ana"),
        ] {
            assert_eq!((guarded(text).as_ref(), unguarded(cell)), (cell, text));
        }
    }

    proptest! {
        #[test]
        fn whatever_is_guarded_is_the_same_again_and_never_a_formula(text in "[ '=+@a\\-\t＝]{0,6}|.*") {
            let cell = guarded(&text).into_owned();
            prop_assert_eq!(unguarded(&cell), text.as_str());
            prop_assert!(!begins_a_formula(&cell));
        }
    }
}
