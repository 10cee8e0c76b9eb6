//! A file as rows of cells: whichever letters, marks between cells and ends of lines it has. Whatever is wrong with one line is said
//! of that line alone: a quotation mark that is not closed takes nobody else along.

use super::cells::unguarded;

/// Bytes of a file: a hundred thousand full lines. More is no club's.
pub const FILE_MAX: usize = 16 * 1_024 * 1_024;
/// Lines of a file: ten seasons of a large club.
pub const LINES_MAX: usize = 100_000;
/// Characters of one cell: no name, title or reason is as long, and splits of sixty repeats are not.
pub const CELL_MAX: usize = 2_000;
/// Cells of one line: ours and what a spreadsheet has beside them.
pub const CELLS_MAX: usize = 200;
/// Bytes of one line that are looked at.
const LINE_MAX: usize = 100_000;

/// A line that has something in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Counted from 1, as an editor counts them.
    pub line: u32,
    /// Its cells, or one sentence on what is wrong with it.
    pub cells: Result<Vec<String>, String>,
}

/// A file with a heading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sheet {
    /// The names of the columns, in small letters with `_` for spaces.
    pub heading: Vec<String>,
    /// The lines behind it.
    pub rows: Vec<Row>,
}

impl Sheet {
    /// Reads a file.
    ///
    /// # Errors
    /// One sentence: why nothing of it can be read.
    pub fn read(bytes: &[u8]) -> Result<Sheet, String> {
        if bytes.len() > FILE_MAX {
            let most = FILE_MAX / 1_024 / 1_024;
            return Err(format!(
                "The file is larger than {most} MiB: split it, each part with the heading."
            ));
        }
        let text = text(bytes)?;
        // As Windows and an old Macintosh end their lines.
        let text = text.trim_start_matches('\u{feff}').replace("\r\n", "\n").replace('\r', "\n");
        if text.lines().count() > LINES_MAX {
            return Err(format!(
                "The file has more than {LINES_MAX} lines: split it, each part with the heading."
            ));
        }
        let mut lines = (1_u32..).zip(text.lines()).filter(|(_, line)| !is_empty(line));
        let (_, first) = lines.next().ok_or("There is nothing in the file.")?;
        let between = separator(first);
        let heading = cells(first, between).map_err(|says| format!("The heading: {says}"))?;
        let name = |cell: &String| cell.trim().to_lowercase().replace([' ', '-'], "_");
        let heading: Vec<String> = heading.iter().map(name).collect();
        let row = |(line, text)| Row { line, cells: cells(text, between) };
        let is_said =
            |row: &Row| row.cells.as_ref().is_ok_and(|cells| cells.iter().all(String::is_empty));
        let rows = lines.map(row).filter(|row| !is_said(row)).collect();
        Ok(Sheet { heading, rows })
    }

    /// Where each of these columns stands; a name that stands there twice counts where it stands first.
    #[must_use]
    pub fn columns<const MANY: usize>(&self, names: [&str; MANY]) -> [Option<usize>; MANY] {
        names.map(|name| self.heading.iter().position(|column| column == name))
    }

    /// Columns of the heading that are none of these: nothing is read from them.
    #[must_use]
    pub fn others(&self, known: &[&str]) -> Vec<String> {
        let is_other = |column: &&String| !column.is_empty() && !known.contains(&column.as_str());
        self.heading.iter().filter(is_other).cloned().collect()
    }
}

fn is_empty(line: &str) -> bool {
    line.trim().is_empty()
}

/// UTF-8, or ISO 8859-1, in which older spreadsheets write Western names.
fn text(bytes: &[u8]) -> Result<String, String> {
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) || bytes.contains(&0) {
        return Err("This is no text of a table: save it as CSV in UTF-8.".to_owned());
    }
    if let Ok(text) = std::str::from_utf8(bytes) {
        return Ok(text.to_owned());
    }
    let latin = |byte: &u8| (!(0x80..0xa0).contains(byte)).then(|| char::from(*byte));
    let text: Option<String> = bytes.iter().map(latin).collect();
    text.ok_or_else(|| {
        "The letters of the file cannot be read: save it as CSV in UTF-8.".to_owned()
    })
}

/// What stands most often in the heading; a comma when nothing does.
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

/// The cells of one line. A cell has no line break in it: what begins one is told of its own line, and cannot swallow the next.
fn cells(line: &str, between: char) -> Result<Vec<String>, String> {
    if line.len() > LINE_MAX {
        return Err(format!("The line is longer than {LINE_MAX} bytes."));
    }
    let mut cells = Vec::new();
    let mut left = line;
    loop {
        let (cell, behind) = cell(left, between)?;
        if cell.chars().count() > CELL_MAX {
            return Err(format!("A cell is longer than {CELL_MAX} characters."));
        }
        cells.push(cell);
        if cells.len() > CELLS_MAX {
            return Err(format!("The line has more than {CELLS_MAX} cells."));
        }
        let Some(behind) = behind else { return Ok(cells) };
        left = behind;
    }
}

/// The first cell, and what stands behind the mark that ends it, if one does.
fn cell(line: &str, between: char) -> Result<(String, Option<&str>), String> {
    let is_space = |c: char| c.is_whitespace() && c != between;
    let left = line.trim_start_matches(is_space);
    let Some(mut quoted) = left.strip_prefix('"') else {
        let (cell, behind) =
            left.split_once(between).map_or((left, None), |(cell, behind)| (cell, Some(behind)));
        if cell.contains('"') {
            return Err("A quotation mark stands inside a cell: put the whole cell in quotation marks, and write that one twice.".to_owned());
        }
        return Ok((unguarded(cell.trim()).to_owned(), behind));
    };
    let mut cell = String::new();
    let behind = loop {
        let (part, behind) = quoted.split_once('"').ok_or(
            "A quotation mark is not closed on its line: close it, and leave no line break in a cell.",
        )?;
        cell.push_str(part);
        match behind.strip_prefix('"') {
            None => break behind.trim_start_matches(is_space),
            Some(more) => {
                cell.push('"');
                quoted = more;
            }
        }
    };
    let behind = match behind.strip_prefix(between) {
        Some(behind) => Some(behind),
        None if behind.is_empty() => None,
        None => return Err("Something stands behind a quotation mark that was closed.".to_owned()),
    };
    Ok((unguarded(cell.trim()).to_owned(), behind))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(text: &str) -> Vec<(u32, Vec<String>)> {
        let sheet = Sheet::read(text.as_bytes()).unwrap();
        let told = |row: Row| (row.line, row.cells.unwrap_or_else(|says| vec![says]));
        sheet.rows.into_iter().map(told).collect()
    }

    fn cells_of(text: &str) -> Vec<String> {
        rows(&format!("a,b,c\n{text}")).remove(0).1
    }

    /// The examples of RFC 4180, section 2, rules 1 to 7; of rule 6 the line break alone is refused.
    #[test]
    fn the_examples_of_rfc_4180_are_read() {
        assert_eq!(
            rows("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n"),
            [(2, vec!["zzz".into(), "yyy".into(), "xxx".into()])]
        );
        assert_eq!(rows("aaa,bbb,ccc\r\nzzz,yyy,xxx"), rows("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n"));
        assert_eq!(cells_of("\"aaa\",\"bbb\",\"ccc\""), ["aaa", "bbb", "ccc"]);
        assert_eq!(cells_of("\"aaa\",\"b\"\"bb\",\"ccc\""), ["aaa", "b\"bb", "ccc"]);
        assert_eq!(cells_of("zzz,,"), ["zzz", "", ""]);
        let broken = rows("a,b,c\r\n\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx");
        assert!(
            broken[0].1[0].contains("not closed") && broken[1].1[0].contains("inside a cell"),
            "{broken:?}"
        );
        assert_eq!(broken[2], (4, vec!["zzz".into(), "yyy".into(), "xxx".into()]));
    }

    #[test]
    fn an_unclosed_quotation_mark_is_said_of_its_line_and_swallows_nobody() {
        let all = rows(
            "name,born\n\"Ana Lima,2009\nBo Quist,2001\nCy \"Ox\" Moss,2002\n\"Di\" Roe,2003\nEd,2004",
        );
        let said: Vec<_> = all.iter().map(|(line, cells)| (*line, cells.len())).collect();
        assert_eq!(said, [(2, 1), (3, 2), (4, 1), (5, 1), (6, 2)]);
        assert!(all[0].1[0].contains("not closed"));
    }

    #[test]
    fn letters_marks_and_ends_of_lines_are_those_of_any_spreadsheet() {
        let same = [
            "\u{feff}Name;Born\r\nJürg;2001\r\n".as_bytes().to_vec(),
            b"name\tborn\rJ\xfcrg\t2001\r".to_vec(),
            "\n\nname , born\n\n  \nJürg , \"2001\" \n,\n".as_bytes().to_vec(),
        ];
        for bytes in same {
            let sheet = Sheet::read(&bytes).unwrap();
            assert_eq!(sheet.heading, ["name", "born"]);
            let cells: Vec<_> = sheet.rows.iter().map(|row| row.cells.clone().unwrap()).collect();
            assert_eq!(cells, [["Jürg", "2001"]]);
        }
    }

    #[test]
    fn what_is_too_much_or_no_text_is_refused_in_one_sentence() {
        let refused = |bytes: &[u8], why: &str| {
            let says = Sheet::read(bytes).unwrap_err();
            assert!(says.contains(why), "{says}");
        };
        refused(b"", "nothing");
        refused(b"name\0born", "save it as CSV in UTF-8");
        refused(&[0xff, 0xfe, b'n', 0], "save it as CSV in UTF-8");
        refused(b"name\n\x8aime", "save it as CSV in UTF-8");
        refused(&vec![b'\n'; FILE_MAX + 1], "larger than 16 MiB");
        refused("a\n".repeat(LINES_MAX + 1).as_bytes(), "more than 100000 lines");
        refused("a,".repeat(CELLS_MAX + 1).as_bytes(), "more than 200 cells");
        let wide = format!("name\n{}\nAna", "x".repeat(1_000_000));
        let rows = Sheet::read(wide.as_bytes()).unwrap().rows;
        assert!(rows[0].cells.as_ref().unwrap_err().contains("longer than"));
        assert_eq!(rows[1].cells, Ok(vec!["Ana".to_owned()]));
        let long = format!("name\n\"{}\"\nAna", "x".repeat(CELL_MAX + 1));
        let rows = Sheet::read(long.as_bytes()).unwrap().rows;
        assert!(rows[0].cells.as_ref().unwrap_err().contains("longer than 2000"));
        let most = "a\n".repeat(LINES_MAX);
        assert_eq!(Sheet::read(most.as_bytes()).unwrap().rows.len(), LINES_MAX - 1);
    }
}
