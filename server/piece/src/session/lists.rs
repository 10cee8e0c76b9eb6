//! Lists of athletes that are told again and again.

use std::{collections::VecDeque, sync::Arc};

use thole_protocol::ids::AthleteId;

/// A coach calls everybody, a team, those who are behind: lists from further back than this seldom come
/// again.
const KEPT: usize = 8;

/// The lists that recent events named, so that an equal one is kept only once: otherwise a class of 5,000
/// called every five seconds would take more memory for whom each call went to than for all that was rowed.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Lists(VecDeque<Arc<[AthleteId]>>);

impl Lists {
    /// The same list, in the memory of an equal one if there is one.
    pub(super) fn shared(&mut self, list: Vec<AthleteId>) -> Arc<[AthleteId]> {
        if let Some(at) = self.0.iter().position(|known| **known == *list)
            && let Some(known) = self.0.remove(at)
        {
            self.0.push_front(known.clone());
            return known;
        }
        let new: Arc<[AthleteId]> = list.into();
        self.0.push_front(new.clone());
        self.0.truncate(KEPT);
        new
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn athletes(count: u128) -> Vec<AthleteId> {
        (0..count).map(|at| AthleteId(uuid::Uuid::from_u128(at))).collect()
    }

    #[test]
    fn an_equal_list_is_kept_once_and_another_one_for_itself() {
        let mut lists = Lists::default();
        let all = lists.shared(athletes(5));
        let some = lists.shared(athletes(3));
        assert_eq!((&*all, &*some), (&*athletes(5), &*athletes(3)));
        assert!(Arc::ptr_eq(&all, &lists.shared(athletes(5))));
        assert!(Arc::ptr_eq(&some, &lists.shared(athletes(3))));
    }

    #[test]
    fn what_was_told_last_stays_and_no_more_is_kept_than_that() {
        let mut lists = Lists::default();
        let all = lists.shared(athletes(1_000));
        for other in 1..50 {
            lists.shared(athletes(other));
            assert!(Arc::ptr_eq(&all, &lists.shared(athletes(1_000))), "after {other} others");
        }
        assert_eq!(lists.0.len(), KEPT);
    }
}
