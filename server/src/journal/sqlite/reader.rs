//! The thread that reads the journal: one question after another.

use std::{
    io,
    panic::{AssertUnwindSafe, catch_unwind},
    thread,
};

use rusqlite::Connection;
use tokio::sync::{mpsc, oneshot};

use super::QUEUE_MAX;
use crate::journal::{Answer, JournalError};

/// A question that sends its answer itself.
type Question = Box<dyn FnOnce(&Connection) + Send>;

/// Where questions are asked. The thread ends when nobody can ask any more.
#[derive(Clone)]
pub(super) struct Reader(mpsc::Sender<Question>);

impl Reader {
    /// Gives a connection a thread of its own: however many ask at the same moment, nobody waits for the others
    /// to be woken in between.
    pub(super) fn new(connection: Connection) -> io::Result<Reader> {
        let (ask, mut asked) = mpsc::channel::<Question>(QUEUE_MAX);
        thread::Builder::new().name("reading".to_owned()).spawn(move || {
            while let Some(question) = asked.blocking_recv() {
                // Whoever asked hears that there is no answer; the others get theirs.
                if catch_unwind(AssertUnwindSafe(|| question(&connection))).is_err() {
                    tracing::error!("a question to the journal has ended because of a bug");
                }
            }
        })?;
        Ok(Reader(ask))
    }

    pub(super) fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&Connection) -> Result<T, JournalError> + Send + 'static,
    ) -> Answer<T> {
        let ask = self.0.clone();
        Box::pin(async move {
            let none = || JournalError::Read("the question was not answered".to_owned());
            let (answer, answered) = oneshot::channel();
            // Whoever asked may be gone; then the answer is nobody's.
            let question = Box::new(move |connection: &Connection| {
                let _ = answer.send(question(connection));
            });
            ask.send(question).await.map_err(|_| none())?;
            answered.await.map_err(|_| none())?
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    #[expect(clippy::panic, reason = "a question that ends by a bug is what is tried")]
    async fn a_question_that_ends_by_a_bug_is_answered_and_so_are_the_others() {
        let reader = Reader::new(Connection::open_in_memory().unwrap()).unwrap();
        let sum = |connection: &Connection| {
            let sum = connection.query_row("SELECT 2 + 3", [], |row| row.get::<_, i64>(0));
            sum.map_err(|error| JournalError::Read(error.to_string()))
        };
        let bug = reader.ask::<i64>(|_| panic!("a bug"));
        let (bug, sums) =
            tokio::join!(bug, async { (reader.ask(sum).await, reader.ask(sum).await) });
        assert!(matches!(bug, Err(JournalError::Read(_))), "{bug:?}");
        assert_eq!((sums.0.unwrap(), sums.1.unwrap()), (5, 5));
    }
}
