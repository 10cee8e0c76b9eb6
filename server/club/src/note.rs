//! Notes of coaches: what can be written, and who reads it.

use thole_piece::name;
use thole_protocol::club::{NOTE_MAX, NoteAbout, NoteReaders};

/// A coach or assistant who asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Asking<'a> {
    /// Which; `None` for whoever has the head coach's link.
    pub coach: Option<&'a str>,
    /// They may what the head coach may.
    pub is_head: bool,
}

impl Asking<'_> {
    /// Whether they have a group that is this coach's; one that is nobody's is the head coach's, who has them all.
    #[must_use]
    pub fn has(self, coach: Option<&str>) -> bool {
        self.is_head || (coach.is_some() && self.coach == coach)
    }
}

/// Whose a note is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Written<'a> {
    /// Who is to read it.
    pub readers: NoteReaders,
    /// The coach who wrote it; `None` for whoever had the head coach's link.
    pub by: Option<&'a str>,
    /// That coach coaches here no more.
    pub author_has_left: bool,
    /// Of a note about a group: whoever has that group now, as [`Asking::has`] takes it.
    pub group: Option<Option<&'a str>>,
}

impl Written<'_> {
    /// Whether a coach or assistant reads it.
    #[must_use]
    pub fn is_read_by(self, who: Asking<'_>) -> bool {
        match self.readers {
            NoteReaders::Coaches | NoteReaders::Person => true,
            NoteReaders::Author => self.is_of(who) || (self.author_has_left && who.is_head),
            // Whoever has handed the group over reads it no more, their own words included.
            NoteReaders::Group => self.group.is_some_and(|coach| who.has(coach)),
        }
    }

    /// Whether a coach may remove it.
    #[must_use]
    pub fn is_removed_by(self, who: Asking<'_>) -> bool {
        let has_group = self.group.is_some_and(|coach| who.has(coach));
        self.is_read_by(who) && (self.is_of(who) || who.is_head || has_group)
    }

    fn is_of(self, who: Asking<'_>) -> bool {
        self.by == who.coach && (self.by.is_some() || who.is_head)
    }
}

/// Words as they are kept: lines that can be seen, without spaces around them.
///
/// # Errors
/// One sentence: what is wrong with them.
pub fn checked_words(words: &str) -> Result<String, String> {
    let words = words.replace("\r\n", "\n");
    let words = words.trim();
    if words.is_empty() {
        return Err("Write something: a note of nothing is none.".to_owned());
    }
    let is_control = |c: char| c.is_control() && c != '\n';
    if words.chars().count() > NOTE_MAX || words.chars().any(is_control) {
        return Err(format!("A note is plain text of at most {NOTE_MAX} characters."));
    }
    for line in words.lines() {
        name::check(line).map_err(|refusal| refusal.says)?;
    }
    Ok(words.to_owned())
}

/// Whether these can read what is about this.
///
/// # Errors
/// One sentence: who can instead.
pub fn fits(about: &NoteAbout, readers: NoteReaders) -> Result<(), String> {
    let says = match (about, readers) {
        (NoteAbout::Person(_) | NoteAbout::Session(_), NoteReaders::Group) => {
            "A note that whoever has the group reads has to be about a group."
        }
        (NoteAbout::Session(_), NoteReaders::Person) => {
            "A note about a session is for coaches; write what is for somebody as a note about that person."
        }
        (NoteAbout::Person(_) | NoteAbout::Group(_), _)
        | (NoteAbout::Session(_), NoteReaders::Author | NoteReaders::Coaches) => return Ok(()),
    };
    Err(says.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINK: Asking<'_> = Asking { coach: None, is_head: true };
    const HEAD: Asking<'_> = Asking { coach: Some("head"), is_head: true };
    const JO: Asking<'_> = Asking { coach: Some("jo"), is_head: false };
    const INES: Asking<'_> = Asking { coach: Some("ines"), is_head: false };

    fn readers(written: Written<'_>) -> [bool; 4] {
        [LINK, HEAD, JO, INES].map(|who| written.is_read_by(who))
    }

    #[test]
    fn a_note_is_read_by_whom_it_is_for_and_by_nobody_else() {
        let jos = |readers| Written {
            readers,
            by: Some("jo"),
            author_has_left: false,
            group: Some(Some("jo")),
        };
        assert_eq!(readers(jos(NoteReaders::Author)), [false, false, true, false]);
        assert_eq!(readers(jos(NoteReaders::Coaches)), [true; 4]);
        assert_eq!(readers(jos(NoteReaders::Person)), [true; 4]);
        assert_eq!(readers(jos(NoteReaders::Group)), [true, true, true, false]);
        let handed_over = Written { group: Some(Some("ines")), ..jos(NoteReaders::Group) };
        assert_eq!(readers(handed_over), [true, true, false, true]);
        assert!(!handed_over.is_removed_by(JO) && handed_over.is_removed_by(INES));
        let nobodys = Written { group: Some(None), ..jos(NoteReaders::Group) };
        assert_eq!(readers(nobodys), [true, true, false, false]);
        let left = Written { author_has_left: true, ..jos(NoteReaders::Author) };
        assert_eq!(readers(left), [true, true, true, false]);
        // Of whoever has the link, who is not every head coach.
        let links = Written { by: None, group: None, ..jos(NoteReaders::Author) };
        assert_eq!(readers(links), [true, false, false, false]);
        let about_a_person = Written { group: None, ..jos(NoteReaders::Coaches) };
        assert!(about_a_person.is_removed_by(JO) && about_a_person.is_removed_by(HEAD));
        assert!(!about_a_person.is_removed_by(INES));
    }

    #[test]
    fn a_note_is_words_that_can_be_seen() {
        assert_eq!(
            checked_words(" Sits tall.\r\n\r\nMore rate. \n").unwrap(),
            "Sits tall.\n\nMore rate."
        );
        for wrong in ["", " \n", "\u{200b}", "a\u{202e}b", "a\u{7}", &"a".repeat(NOTE_MAX + 1)] {
            assert!(checked_words(wrong).is_err(), "{wrong:?}");
        }
        assert!(checked_words(&"ä".repeat(NOTE_MAX)).is_ok());
    }
}
