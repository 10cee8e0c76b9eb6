//! The write-ahead file of a journal before SQLite opens it: anything after a damaged page in it would be dropped
//! without a word, so a copy is set aside first. Its format is that of <https://www.sqlite.org/fileformat2.html>,
//! section 4.

use std::{
    fs::{File, OpenOptions},
    io::{self, BufReader, ErrorKind, Read},
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
};

const HEAD: usize = 32;
const FRAME_HEAD: usize = 24;
const MAGIC: u32 = 0x377f_0682;
/// How many copies are kept; somebody who has this many has a disk to look at.
const COPIES_MAX: u32 = 8;

/// Copies the write-ahead file of a folder, for its owner only, if it has frames after one that is damaged.
pub(super) fn set_aside(data: &Path) -> io::Result<Option<PathBuf>> {
    let ahead = data.join("thole.db-wal");
    let file = match File::open(&ahead) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        file => file?,
    };
    if !is_damaged(&mut BufReader::new(file))? {
        return Ok(None);
    }
    for number in 1..=COPIES_MAX {
        let aside = data.join(format!("thole.db-wal.damaged-{number}"));
        let made = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&aside);
        let mut copy = match made {
            Err(error) if error.kind() == ErrorKind::AlreadyExists => continue,
            made => made?,
        };
        io::copy(&mut File::open(&ahead)?, &mut copy)?;
        copy.sync_all()?;
        return Ok(Some(aside));
    }
    Ok(None)
}

/// Whether this write-ahead file has frames after one that is not as it was written. Only the last one may be half
/// written, by a process that was killed, and is nothing that anybody was told of.
fn is_damaged(file: &mut impl Read) -> io::Result<bool> {
    let mut head = [0; HEAD];
    if !filled(file, &mut head)? {
        return Ok(false);
    }
    let [magic, _, page, _, salt, other_salt, sum, other_sum] = words(&head, true);
    let big_end = magic & 1 == 1;
    let mut checked = Sum::default();
    checked.add(head.get(..24).unwrap_or(&[]), big_end);
    let page = usize::try_from(page).unwrap_or(0);
    let is_whole = magic & !1 == MAGIC && checked == Sum(sum, other_sum);
    if !is_whole || !(512..=65_536).contains(&page) {
        // SQLite takes nothing from such a file.
        let mut next = [0; FRAME_HEAD];
        return filled(file, &mut next);
    }
    let mut frame = vec![0; FRAME_HEAD + page];
    let mut is_broken = false;
    while filled(file, &mut frame)? {
        let (head, body) = frame.split_at(FRAME_HEAD);
        let [_, _, own_salt, own_other, sum, other_sum, ..] = words(head, true);
        let is_ours = (own_salt, own_other) == (salt, other_salt);
        if is_broken && is_ours {
            return Ok(true);
        }
        checked.add(head.get(..8).unwrap_or(&[]), big_end);
        checked.add(body, big_end);
        is_broken |= !is_ours || checked != Sum(sum, other_sum);
    }
    Ok(false)
}

/// False when the file ends before that.
fn filled(file: &mut impl Read, place: &mut [u8]) -> io::Result<bool> {
    match file.read_exact(place) {
        Err(error) if error.kind() == ErrorKind::UnexpectedEof => Ok(false),
        read => read.map(|()| true),
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Sum(u32, u32);

impl Sum {
    fn add(&mut self, bytes: &[u8], big_end: bool) {
        for pair in bytes.chunks_exact(8) {
            let [first, second, ..] = words(pair, big_end);
            self.0 = self.0.wrapping_add(first).wrapping_add(self.1);
            self.1 = self.1.wrapping_add(second).wrapping_add(self.0);
        }
    }
}

/// The first numbers of some bytes; 0 beyond their end.
fn words(bytes: &[u8], big_end: bool) -> [u32; 8] {
    let mut words = [0; 8];
    for (word, four) in words.iter_mut().zip(bytes.chunks_exact(4)) {
        let four = four.try_into().unwrap_or([0; 4]);
        *word = if big_end { u32::from_be_bytes(four) } else { u32::from_le_bytes(four) };
    }
    words
}
