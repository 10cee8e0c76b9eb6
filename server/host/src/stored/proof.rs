//! A session's rows as they are stored, each commit checked against its tag: which records they are, and which of them are
//! not as they were written.

use thole_piece::Input;
use thole_protocol::{
    ids::AthleteId,
    units::{At, Millis},
};

use super::{
    Row, Stored,
    chain::{Commit, Hash, Tag, content},
    keys::Keys,
    packing::{EMPTY, HEART_RATE, PART, Passing, SAMPLES, SETTLED, UNREAD, join, recording_no},
};
use crate::{
    planted::Fault,
    record::{Damage, Found, Record},
};

/// A session that has written nothing for this long has nothing under way (our choice): a record of a damaged commit with
/// nothing after it that claims to be later than this is taken to be of the same instant as the one before it.
const QUIET_MAX: Millis = Millis(3_600_000);

/// What cannot be proven is named. From a commit that is not as it was written no stroke and no heart rate is returned, for
/// nobody may be credited with what they have not rowed, and clients send their strokes again; the rest is returned as far
/// as it can be understood.
#[derive(Debug)]
pub struct Proof<'a> {
    keys: &'a Keys,
    /// The tag of the commit before.
    before: Tag,
    /// Where the next row has to be.
    next: u64,
    /// Rows of a commit whose tag has not come yet.
    open: Vec<Stored>,
    /// A row of this commit, or before it, is missing.
    gap: bool,
    /// When the last record that is as it was written was made.
    proven: At,
    /// Where the damage begins that no such record has followed yet.
    unended: usize,
    /// Records of commits that are not as they were written; they wait for one that is, for their instants may be wrong too.
    doubted: Vec<(u64, Record)>,
    /// The instant of the last record found.
    last: At,
    found: Found,
    #[cfg(feature = "planted")]
    pub(crate) planted: Option<Fault>,
}

/// Whose the damaged records are, and of what kind.
#[derive(Default)]
struct About {
    whose: Vec<AthleteId>,
    only_strokes: bool,
}

impl<'a> Proof<'a> {
    /// From the first row of a commit on, given where it has to be and the tag of the commit before.
    #[must_use]
    pub fn from(keys: &'a Keys, next: u64, before: Tag) -> Proof<'a> {
        Proof {
            keys,
            before,
            next,
            open: Vec::new(),
            gap: false,
            proven: At(0),
            unended: 0,
            doubted: Vec::new(),
            last: At(0),
            found: Found { next, ..Found::default() },
            #[cfg(feature = "planted")]
            planted: None,
        }
    }

    /// Where the next row has to be.
    #[must_use]
    pub fn next(&self) -> u64 {
        self.next
    }

    /// The records found so far and not taken, with their positions.
    #[must_use]
    pub fn records(&self) -> &[(u64, Record)] {
        &self.found.records
    }

    /// Takes them.
    pub fn take_records(&mut self) -> Vec<(u64, Record)> {
        std::mem::take(&mut self.found.records)
    }

    /// The next row, in the order of positions.
    pub fn take(&mut self, stored: Stored) {
        if stored.position > self.next {
            self.name(self.next, stored.position - 1, "is missing", About::default());
            self.gap = true;
        }
        self.next = stored.position + 1;
        let tag = stored.tag;
        self.open.push(stored);
        if let Some(tag) = tag {
            self.commit(tag);
        }
    }

    fn name(&mut self, from: u64, to: u64, what: &str, about: About) {
        let About { whose, only_strokes } = about;
        let (what, since) = (what.to_owned(), self.proven);
        let damage = Damage { from, to, what, since, until: None, whose, only_strokes };
        // A key that was changed leaves everything about its person unproven: that is told once.
        match self.found.damage.last_mut() {
            Some(last) if last.what == damage.what && damage.what == DOUBTFUL => {
                last.to = damage.to;
                last.whose.extend(damage.whose);
                last.whose.sort_unstable();
                last.whose.dedup();
                last.only_strokes &= damage.only_strokes;
            }
            _ => self.found.damage.push(damage),
        }
    }

    /// Whose rows these are. A row of no person belongs to the session, and concerns everybody; a row and its recording
    /// name the same person, or one of the two was changed.
    fn about(&self, rows: &[Stored]) -> About {
        let mut about = About { whose: Vec::new(), only_strokes: true };
        for Stored { row, .. } in rows {
            let strokes = [SAMPLES, HEART_RATE].contains(&row.kind.saturating_abs());
            let Some(person) = row.person else {
                if EMPTY.contains(&row.kind) && row.payload.is_empty() {
                    continue;
                }
                return About::default();
            };
            about.only_strokes &= strokes;
            about.whose.extend(self.keys.numbers.athletes.get(&person));
            if row.kind == SAMPLES {
                about.whose.extend(recording_no(&row.payload).and_then(|no| self.keys.owner(no)));
            }
        }
        about.whose.sort_unstable();
        about.whose.dedup();
        if about.whose.is_empty() { About::default() } else { about }
    }

    /// All rows of a commit are here.
    fn commit(&mut self, tag: Tag) {
        let rows = std::mem::take(&mut self.open);
        let gap = std::mem::take(&mut self.gap);
        let mut commit = Commit::after(self.before, self.keys.session);
        let mut known = true;
        for Stored { position, at, row, .. } in &rows {
            match hash(self.keys, *position, *at, row) {
                Some(hash) => {
                    commit.add(*position, *at, row.person, row.kind.saturating_abs(), hash)
                }
                None => known = false,
            }
        }
        // Whatever is wrong with this one, those after it are checked against its tag.
        self.before = tag;
        let is_whole = (known && commit.tag() == tag) || self.has(Fault::FlippedTaken);
        if is_whole {
            let first = rows.first().map(|row| At(row.at));
            self.found.damage.iter_mut().skip(self.unended).for_each(|damage| damage.until = first);
            self.unended = self.found.damage.len();
            self.give_doubted(first);
            self.proven = rows.last().map_or(self.proven, |row| At(row.at));
        } else {
            let (from, to) = ends(&rows);
            let is_doubtful =
                |row: &Stored| row.row.person.is_some_and(|who| self.keys.doubtful.contains(&who));
            let what = if gap {
                "cannot be proven, because what stood before it is missing"
            } else if rows.iter().any(is_doubtful) {
                DOUBTFUL
            } else {
                "is not as it was written"
            };
            self.name(from, to, what, self.about(&rows));
        }
        // After a gap nothing can be proven, but nothing suggests either that it is not as it was written: it is kept and
        // named, and the results it affects are marked. If it were withheld, each lost record would take up to a whole
        // commit of strokes with it, which no device may have any more.
        let given = self.serve(rows, is_whole || gap);
        if is_whole {
            self.last = given.last().map_or(self.last, |(_, record)| record.at);
            self.found.records.extend(given);
        } else {
            self.doubted.extend(given);
        }
    }

    /// A flipped bit in an instant moves no session to another year: nothing was written before what came before it, nor
    /// after `until`, the first record of the commit that is proven again.
    fn give_doubted(&mut self, until: Option<At>) {
        for (position, record) in std::mem::take(&mut self.doubted) {
            let Record { at, input } = record;
            let latest = until.unwrap_or(match at.since(self.last) {
                gone if gone <= QUIET_MAX => at,
                _ => self.last,
            });
            self.last = at.min(latest).max(self.last);
            self.found.records.push((position, Record { at: self.last, input }));
        }
    }

    /// What is stored from the next position up to this one cannot be read.
    pub fn unreadable(&mut self, to: u64, why: &str) {
        self.open.clear();
        self.gap = true;
        let from = std::mem::replace(&mut self.next, to + 1);
        self.name(from, to, why, About::default());
    }

    /// No more rows: those whose commit has no last row have lost its end.
    pub fn end(&mut self) {
        let rows = std::mem::take(&mut self.open);
        if !rows.is_empty() {
            let (from, to) = ends(&rows);
            self.name(from, to, "has lost the end of its commit", self.about(&rows));
            let given = self.serve(rows, true);
            self.doubted.extend(given);
        }
        self.give_doubted(None);
        self.found.next = self.next;
    }

    /// Somebody else has seen the records end there, with that tag; `there` is the tag that is there now. They have to
    /// match.
    pub fn seen(&mut self, next: u64, tag: Tag, there: Option<Tag>) {
        if next > self.next {
            let what = "is missing: the end of the journal was lost";
            self.name(self.next, next - 1, what, About::default());
            self.found.next = next;
        } else if there != Some(tag) && self.found.damage.is_empty() {
            let (last, what) = (next - 1, "is not the one that was written last");
            self.name(last, last, what, About::default());
        }
    }

    /// Everything that was found.
    #[must_use]
    pub fn found(self) -> Found {
        self.found
    }

    /// What was erased of somebody who is still here.
    fn let_go(&self, row: &Row) -> Option<Passing> {
        let is_here = row.person.is_some_and(|person| self.keys.own(person).is_some());
        Passing::of(row.kind).filter(|_| row.kind < 0 && is_here)
    }

    fn serve(&mut self, rows: Vec<Stored>, strokes: bool) -> Vec<(u64, Record)> {
        let mut given = Vec::with_capacity(rows.len());
        let mut rows = rows.into_iter().peekable();
        while let Some(head) = rows.next() {
            let mut parts = Vec::new();
            while let Some(part) = rows.next_if(|next| next.row.kind.saturating_abs() == PART) {
                parts.push(part.row);
            }
            let position = head.position;
            if let Some(passed) = self.let_go(&head.row) {
                if passed == Passing::Strokes && self.found.strokes_let_go == 0 {
                    let record = Record { at: At(head.at), input: Input::StrokesLetGo };
                    given.push((position, record));
                }
                self.found.strokes_let_go += u64::from(passed == Passing::Strokes);
                continue;
            }
            if head.row.kind < 0 || parts.iter().any(|part| part.kind < 0) {
                self.found.erased += 1;
                continue;
            }
            // What became of a piece is made again from the strokes that are here.
            let unproven = !strokes && [SAMPLES, HEART_RATE, SETTLED].contains(&head.row.kind);
            if unproven {
                continue;
            }
            match join(head.at, &head.row, &parts, &self.keys.numbers) {
                Ok(input) => given.push((position, Record { at: At(head.at), input })),
                Err(_) if head.row.kind == UNREAD => {
                    let what = "could not be understood when it was converted";
                    self.name(position, position, what, About::default());
                }
                Err(what) => {
                    let about = self.about(&[head]);
                    self.name(position, position, &format!("cannot be understood: {what}"), about);
                }
            }
        }
        given
    }
}

/// What is said of commits with records of a person whose row is damaged.
const DOUBTFUL: &str = "cannot be proven, because the row of somebody in it is damaged";

fn ends(rows: &[Stored]) -> (u64, u64) {
    let position = |row: &Stored| row.position;
    (rows.first().map_or(0, position), rows.last().map_or(0, position))
}

/// The hash of a row's content, or what erasing has left of it; `None` when its key is not known.
fn hash(keys: &Keys, position: u64, at: u64, row: &Row) -> Option<Hash> {
    if row.kind < 0 {
        return Hash::try_from(row.payload.as_slice()).ok();
    }
    Some(content(keys.key(row.person, row.kind)?, position, row.kind, at, &row.payload))
}

#[cfg(test)]
mod tests {
    use thole_protocol::ids::SessionId;
    use uuid::Uuid;

    use super::{
        super::{
            chain::{Key, chained},
            packing::split,
        },
        *,
    };

    /// When records of three commits are taken to have been written, 10 s apart, after a bit of one instant has flipped.
    fn instants(flipped: usize, bit: u64) -> Vec<u64> {
        let keys = Keys::new(SessionId(Uuid::nil()), Key::default());
        let (mut rows, mut tag) = (Vec::new(), Tag::default());
        for at in [10_000, 20_000, 30_000] {
            let split = split(at, &Input::Reopened, &keys.numbers).unwrap();
            let split = split.into_iter().map(|row| (at, row)).collect();
            rows.extend(chained(&keys, (rows.len() as u64, tag), split).unwrap());
            tag = rows.last().and_then(|row: &Stored| row.tag).unwrap();
        }
        rows.get_mut(flipped).unwrap().at ^= bit;
        let mut proof = Proof::from(&keys, 0, Tag::default());
        rows.into_iter().for_each(|row| proof.take(row));
        proof.end();
        let found = proof.found();
        assert_eq!(found.damage.len(), 1, "{:?}", found.damage);
        found.records.iter().map(|(_, record)| record.at.0).collect()
    }

    #[test]
    fn a_bit_of_an_instant_takes_no_session_into_another_year() {
        assert_eq!(instants(1, 1 << 40), [10_000, 30_000, 30_000]);
        assert_eq!(instants(1, 1 << 14), [10_000, 10_000, 30_000], "20,000 less 16,384");
        assert_eq!(instants(2, 1 << 40), [10_000, 20_000, 20_000]);
        assert_eq!(instants(2, 1), [10_000, 20_000, 30_001], "it may as well be so");
    }
}
