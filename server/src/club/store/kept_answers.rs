//! What was asked under a key of the asker's own (`Idempotency-Key`), and what was answered: kept with what was done, in one step.

use rusqlite::{OptionalExtension, params};

use super::{ClubError, Store, queries, writing};

/// Answers are kept for so long: whoever asks again later than a day after has given up meanwhile.
const KEPT_MS: u64 = 2 * 86_400_000;
/// So many of one asker: each evening of hundreds, each of them put right several times.
const KEPT_MAX: u32 = 4_000;
/// Bytes of one: what is done is told by a sentence, and one thing whole takes a tenth of this.
const ANSWER_MAX: usize = 64 << 10;

/// Something that is asked under a key of the asker's own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AskedOnce {
    /// Who asks.
    pub asker: String,
    /// What they call it; nobody else's is meant by it.
    pub key: String,
    /// A hash of all that is asked.
    pub asked: String,
}

/// An answer as it goes out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    /// JSON.
    pub text: String,
    /// What names it, of one thing as it is now.
    pub etag: Option<String>,
}

/// What is known of something that is asked under a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Before {
    /// Nothing: it is the first time.
    New,
    /// It was done, and this was answered.
    Answered(Reply),
    /// It was begun or done; what was answered is not kept.
    Done,
    /// It, or something else under the same key, was done; of whom that told is gone.
    Blanked,
    /// The key stands for something else.
    Other,
}

/// Why an answer cannot be kept; then nothing may be done, either.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotKept {
    /// The asker has as many as are kept.
    TooMany,
    /// It is too long.
    TooLong,
}

impl Store {
    /// What is known of it.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn asked_before(&self, once: &AskedOnce) -> Result<Before, ClubError> {
        let AskedOnce { asker, key, asked } = once;
        let club = self.club.club.to_string();
        let mut select = self.connection.prepare_cached(queries::KEPT_ANSWER)?;
        let row = select.query_row(params![club, asker, key], |row| {
            Ok((row.get::<_, String>(0)?, row.get::<_, Option<String>>(1)?, row.get(2)?))
        });
        Ok(match row.optional()? {
            None => Before::New,
            Some((before, Some(text), etag)) if before == *asked => {
                Before::Answered(Reply { text, etag })
            }
            Some((before, None, _)) if before == *asked => Before::Done,
            Some((before, None, _)) if before.is_empty() => Before::Blanked,
            Some(_) => Before::Other,
        })
    }

    /// Keeps what is answered, for two days; `None` keeps no more than that it was done.
    ///
    /// # Errors
    /// It cannot be written. Inside, why it is not to be kept.
    pub fn keep_answer(
        &mut self,
        once: &AskedOnce,
        told: Option<&Reply>,
        now_unix_ms: u64,
    ) -> Result<Result<(), NotKept>, ClubError> {
        if told.is_some_and(|told| told.text.len() > ANSWER_MAX) {
            return Ok(Err(NotKept::TooLong));
        }
        let AskedOnce { asker, key, asked } = once;
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let before = now_unix_ms.saturating_sub(KEPT_MS).cast_signed();
        transaction.prepare_cached(queries::FORGET_OLD_ANSWERS)?.execute(params![club, before])?;
        let many: u32 = transaction
            .prepare_cached(queries::KEPT_ANSWERS)?
            .query_row(params![club, asker], |row| row.get(0))?;
        if many >= KEPT_MAX {
            return Ok(Err(NotKept::TooMany));
        }
        let (text, etag) = told.map_or((None, None), |told| (Some(&told.text), told.etag.as_ref()));
        transaction.prepare_cached(queries::KEEP_ANSWER)?.execute(params![
            club,
            asker,
            key,
            asked,
            now_unix_ms.cast_signed(),
            text,
            etag
        ])?;
        transaction.commit()?;
        Ok(Ok(()))
    }

    /// Keeps what is answered to something that was kept without an answer when it was begun.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn answer_begun(&mut self, once: &AskedOnce, told: &Reply) -> Result<(), ClubError> {
        let AskedOnce { asker, key, asked } = once;
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let named = params![told.text, told.etag, club, asker, key, asked];
        transaction.execute(queries::ANSWER_BEGUN, named)?;
        Ok(transaction.commit()?)
    }

    /// Forgets something that was begun and refused: it is judged anew.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn forget_begun(&mut self, once: &AskedOnce) -> Result<(), ClubError> {
        let AskedOnce { asker, key, asked } = once;
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        transaction.execute(queries::FORGET_BEGUN, params![club, asker, key, asked])?;
        Ok(transaction.commit()?)
    }

    /// Leaves of all kept answers no more than that they were given: they name people. Whoever asks the same once more is told that
    /// it was done.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn blank_answers(&mut self) -> Result<usize, ClubError> {
        let club = self.club.club.to_string();
        let transaction = writing(&mut self.connection)?;
        let blanked = transaction.execute(queries::BLANK_ANSWERS, params![club])?;
        transaction.commit()?;
        Ok(blanked)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn once(asker: &str, key: &str) -> AskedOnce {
        AskedOnce { asker: asker.to_owned(), key: key.to_owned(), asked: "what".to_owned() }
    }

    fn told(text: &str) -> Reply {
        Reply { text: text.to_owned(), etag: None }
    }

    #[test]
    fn an_answer_is_kept_for_a_day_and_more_and_belongs_to_whoever_asked() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        let (day, first) = (86_400_000, once("jo", "1"));
        store.keep_answer(&first, Some(&told("Mira")), day).unwrap().unwrap();
        assert_eq!(store.asked_before(&first).unwrap(), Before::Answered(told("Mira")));
        assert_eq!(store.asked_before(&once("ines", "1")).unwrap(), Before::New);
        let other = AskedOnce { asked: "other".to_owned(), ..first.clone() };
        assert_eq!(store.asked_before(&other).unwrap(), Before::Other);
        store.keep_answer(&once("jo", "2"), None, 2 * day + 1).unwrap().unwrap();
        assert_eq!(store.asked_before(&first).unwrap(), Before::Answered(told("Mira")));
        assert_eq!(store.asked_before(&once("jo", "2")).unwrap(), Before::Done);
        store.keep_answer(&once("jo", "3"), None, 3 * day + 1).unwrap().unwrap();
        assert_eq!(store.asked_before(&first).unwrap(), Before::New);
    }

    #[test]
    fn an_asker_has_so_many_answers_kept_and_takes_none_from_others() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        let long = told(&"x".repeat(ANSWER_MAX + 1));
        let kept = store.keep_answer(&once("jo", "long"), Some(&long), 1).unwrap();
        assert_eq!(kept, Err(NotKept::TooLong));
        let all = store.all_or_nothing(|store| {
            for nth in 0..KEPT_MAX {
                let kept = store.keep_answer(&once("jo", &nth.to_string()), None, 1)?;
                assert_eq!(kept, Ok(()));
            }
            store.keep_answer(&once("jo", "one more"), None, 1)
        });
        assert_eq!(all.unwrap(), Err(NotKept::TooMany));
        assert_eq!(store.keep_answer(&once("ines", "1"), None, 1).unwrap(), Ok(()));
    }

    #[test]
    fn a_blanked_answer_says_nothing_of_anybody_but_that_it_was_given() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        store.keep_answer(&once("jo", "1"), Some(&told("Mira")), 1).unwrap().unwrap();
        assert_eq!(store.blank_answers().unwrap(), 1);
        assert_eq!(store.asked_before(&once("jo", "1")).unwrap(), Before::Blanked);
    }

    #[test]
    fn what_was_begun_is_answered_or_forgotten() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        for key in ["1", "2"] {
            store.keep_answer(&once("jo", key), None, 1).unwrap().unwrap();
        }
        store.answer_begun(&once("jo", "1"), &told("so")).unwrap();
        // What was answered is not forgotten any more.
        for key in ["1", "2"] {
            store.forget_begun(&once("jo", key)).unwrap();
        }
        assert_eq!(store.asked_before(&once("jo", "1")).unwrap(), Before::Answered(told("so")));
        assert_eq!(store.asked_before(&once("jo", "2")).unwrap(), Before::New);
    }
}
