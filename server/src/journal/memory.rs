//! A journal that lives as long as its process: for tests and for rehearsals that leave nothing behind.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{Mutex, PoisonError},
};

use thole_host::stored::packing::{passing, people, rows};
use thole_piece::Input;
use thole_protocol::{
    ids::{AthleteId, JoinCode, SessionId},
    units::At,
};

use super::{
    Answer, Append, Found, Held, Journal, JournalError, LetGo, Passing, Record, SessionRow, Since,
};
use crate::{
    clock::Reckoned,
    secret::{SecretHash, random_epoch},
};

#[derive(Debug, Default)]
struct State {
    sessions: BTreeMap<SessionId, SessionRow>,
    tenures: BTreeMap<SessionId, u64>,
    records: BTreeMap<SessionId, Vec<(u64, Record)>>,
    /// Positions of records that name somebody who was erased.
    erased: BTreeSet<(SessionId, u64)>,
    /// Positions of records that are kept no longer.
    let_go: BTreeSet<(SessionId, u64)>,
    aside: BTreeSet<(SessionId, u64)>,
    secrets: BTreeMap<SecretHash, Held>,
    notes: BTreeMap<&'static str, String>,
    reckoned: BTreeMap<SessionId, Reckoned>,
    appends: u64,
    fails_at: Option<u64>,
    is_full: bool,
}

impl State {
    /// The position of a session's next record: each record takes as many positions as it would in a file.
    fn next(&self, session: SessionId) -> u64 {
        let last = self.records.get(&session).and_then(|records| records.last());
        last.map_or(0, |(position, record)| position + rows(&record.input))
    }

    fn let_go(&mut self, asked: LetGo, below: u64) -> u64 {
        let LetGo { session, what, whose, before } = asked;
        let records = self.records.get(&session).into_iter().flatten();
        let is_meant = |(position, Record { at, input }): &&(u64, Record)| {
            passing(input) == Some(what)
                && *at < before
                && *position < below
                && whose.is_none_or(|whose| input.athlete() == Some(whose))
                && !self.erased.contains(&(session, *position))
        };
        let positions: Vec<u64> = records.filter(is_meant).map(|(position, _)| *position).collect();
        let fresh = positions.into_iter().filter(|at| self.let_go.insert((session, *at)));
        fresh.count() as u64
    }

    fn has_room(&self) -> Result<(), JournalError> {
        let full = || JournalError::Full("a test has asked for it".to_owned());
        if self.is_full { Err(full()) } else { Ok(()) }
    }

    /// Whether the append continues what is there, with nobody else having written in between.
    fn continues(&self, append: &Append) -> bool {
        let next = self.next(append.session);
        let there = self.sessions.contains_key(&append.session);
        let new = append.create.is_some();
        let granted = |grant: &super::Grant| self.secrets.contains_key(&grant.hash);
        next == append.first
            && append.tenure == self.tenures.get(&append.session).copied().unwrap_or(0)
            && there != new
            && !append.grant.iter().any(granted)
    }
}

/// A journal in memory.
#[derive(Debug)]
pub struct MemoryJournal {
    epoch: String,
    state: Mutex<State>,
}

impl Default for MemoryJournal {
    fn default() -> Self {
        MemoryJournal { epoch: random_epoch(), state: Mutex::default() }
    }
}

impl MemoryJournal {
    /// Makes the `number`th append from the beginning (1 is the first) fail, and every one after it.
    pub fn fail_at(&self, number: u64) {
        self.with(|state| state.fails_at = Some(number));
    }

    /// From now on there is no room for anything; or there is again.
    pub fn fill(&self, is_full: bool) {
        self.with(|state| state.is_full = is_full);
    }

    fn with<T>(&self, f: impl FnOnce(&mut State) -> T) -> T {
        f(&mut self.state.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn answer<T: Send + 'static>(
        &self,
        f: impl FnOnce(&mut State) -> Result<T, JournalError>,
    ) -> Answer<T> {
        let answer = self.with(f);
        Box::pin(async move { answer })
    }
}

impl Journal for MemoryJournal {
    fn take(&self, session: SessionId) -> Answer<u64> {
        self.answer(|state| {
            if !state.sessions.contains_key(&session) {
                return Ok(0);
            }
            let tenure = state.tenures.entry(session).or_default();
            *tenure += 1;
            Ok(*tenure)
        })
    }

    fn append(&self, append: Append) -> Answer<u64> {
        self.answer(|state| {
            state.appends += 1;
            if state.fails_at.is_some_and(|number| state.appends >= number) {
                return Err(JournalError::Write("a fault that a test has asked for".to_owned()));
            }
            state.has_room()?;
            if !state.continues(&append) {
                return Err(JournalError::Fenced);
            }
            let mut next = append.first;
            for record in append.records.iter() {
                let records = state.records.entry(append.session).or_default();
                records.push((next, record.clone()));
                if let Input::Consent { athlete, heart_rate: false, .. } = record.input {
                    let (session, before) = (append.session, At(u64::MAX));
                    let (what, whose) = (Passing::HeartRate, Some(athlete));
                    state.let_go(LetGo { session, what, whose, before }, next);
                }
                next += rows(&record.input);
            }
            state.sessions.extend(append.create.map(|row| (append.session, row)));
            state.secrets.retain(|_, held| {
                held.session != append.session || !append.revoke.contains(&held.holder)
            });
            let session = append.session;
            state.reckoned.extend(append.reckoned.map(|reckoned| (session, reckoned)));
            let held = |grant: super::Grant| (grant.hash, Held { session, holder: grant.holder });
            state.secrets.extend(append.grant.into_iter().map(held));
            if let Some(row) = state.sessions.get_mut(&session)
                && append.closed_unix_ms.is_some()
            {
                row.closed_unix_ms = append.closed_unix_ms;
            }
            Ok(next)
        })
    }

    fn read(&self, session: SessionId, from: u64) -> Answer<Found> {
        self.answer(|state| {
            let all = state.records.get(&session).map_or(&[][..], Vec::as_slice);
            let from_there = all.iter().filter(|(at, _)| *at >= from);
            let is_erased = |at: &u64| state.erased.contains(&(session, *at));
            let erased = from_there.clone().filter(|(at, _)| is_erased(at)).count() as u64;
            let there = from_there
                .filter(|(at, _)| !is_erased(at) && !state.aside.contains(&(session, *at)));
            let (mut records, mut strokes_let_go) = (Vec::new(), 0);
            for (position, record) in there {
                if !state.let_go.contains(&(session, *position)) {
                    records.push((*position, record.clone()));
                } else if passing(&record.input) == Some(Passing::Strokes) {
                    if strokes_let_go == 0 {
                        let told = Record { at: record.at, input: Input::StrokesLetGo };
                        records.push((*position, told));
                    }
                    strokes_let_go += 1;
                }
            }
            let (next, damage) = (state.next(session), Vec::new());
            Ok(Found { records, next, damage, erased, strokes_let_go })
        })
    }

    fn since(&self, session: SessionId, from: u64) -> Answer<Since> {
        self.answer(|state| {
            let all = state.records.get(&session).map_or(&[][..], Vec::as_slice);
            let settles = |(at, record): &(u64, Record)| {
                *at >= from && matches!(record.input, Input::Settled { .. })
            };
            Ok(Since { next: state.next(session), is_settled: all.iter().any(settles) })
        })
    }

    fn erase(&self, session: SessionId, athlete: AthleteId) -> Answer<()> {
        self.answer(|state| {
            for (position, record) in state.records.get(&session).into_iter().flatten() {
                if people(&record.input).contains(&athlete) {
                    state.erased.insert((session, *position));
                }
            }
            let theirs = super::Holder::Athlete(athlete);
            state.secrets.retain(|_, held| held.session != session || held.holder != theirs);
            Ok(())
        })
    }

    fn let_go(&self, what: LetGo) -> Answer<u64> {
        self.answer(|state| Ok(state.let_go(what, u64::MAX)))
    }

    fn overwrite(&self) -> Answer<bool> {
        self.answer(|_| Ok(false))
    }

    fn newest(&self, session: SessionId, what: Passing) -> Answer<Option<At>> {
        self.answer(|state| {
            let records = state.records.get(&session).into_iter().flatten();
            let is_kept = |(position, record): &&(u64, Record)| {
                let place = (session, *position);
                passing(&record.input) == Some(what)
                    && !state.let_go.contains(&place)
                    && !state.erased.contains(&place)
            };
            Ok(records.filter(is_kept).map(|(_, record)| record.at).max())
        })
    }

    fn set_aside(&self, session: SessionId, position: u64) -> Answer<()> {
        self.answer(|state| {
            state.aside.insert((session, position));
            Ok(())
        })
    }

    fn session(&self, session: SessionId) -> Answer<Option<SessionRow>> {
        self.answer(|state| Ok(state.sessions.get(&session).cloned()))
    }

    fn session_of(&self, code: &JoinCode) -> Answer<Option<SessionRow>> {
        self.answer(|state| {
            let with_code = state.sessions.values().filter(|row| row.code == *code);
            Ok(with_code.max_by_key(|row| row.created_unix_ms).cloned())
        })
    }

    fn reckoned(&self, session: SessionId) -> Answer<Option<Reckoned>> {
        self.answer(|state| Ok(state.reckoned.get(&session).cloned()))
    }

    fn sessions(&self) -> Answer<Vec<SessionRow>> {
        self.answer(|state| {
            let mut rows: Vec<SessionRow> = state.sessions.values().cloned().collect();
            rows.sort_by_key(|row| (row.created_unix_ms, row.session));
            Ok(rows)
        })
    }

    fn keep(&self, name: &'static str, note: String) -> Answer<()> {
        self.answer(|state| {
            state.has_room()?;
            state.notes.insert(name, note);
            Ok(())
        })
    }

    fn kept(&self, name: &'static str) -> Answer<Option<String>> {
        self.answer(|state| Ok(state.notes.get(name).cloned()))
    }

    fn held(&self, hash: SecretHash) -> Answer<Option<Held>> {
        self.answer(|state| Ok(state.secrets.get(&hash).copied()))
    }

    fn epoch(&self) -> String {
        self.epoch.clone()
    }
}
