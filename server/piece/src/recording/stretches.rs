//! Which numbers have arrived.

/// Numbers that have arrived, as sorted stretches that do not touch.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Stretches(pub(super) Vec<(u32, u32)>);

impl Stretches {
    pub(super) fn contains(&self, number: u32) -> bool {
        self.covers(number, number)
    }

    pub(super) fn covers(&self, from: u32, to: u32) -> bool {
        let after = self.0.partition_point(|(first, _)| *first <= from);
        after.checked_sub(1).and_then(|at| self.0.get(at)).is_some_and(|(_, last)| *last >= to)
    }

    pub(super) fn insert(&mut self, from: u32, to: u32) {
        // The usual case: one more after the last.
        if let Some((first, last)) = self.0.last_mut()
            && *first <= from
            && from <= last.saturating_add(1)
        {
            *last = (*last).max(to);
            return;
        }
        let begin = self.0.partition_point(|(_, last)| last.saturating_add(1) < from);
        let end = self.0.partition_point(|(first, _)| *first <= to.saturating_add(1));
        let touched = self.0.get(begin..end).unwrap_or(&[]);
        let first = touched.first().map_or(from, |(first, _)| *first.min(&from));
        let last = touched.last().map_or(to, |(_, last)| *last.max(&to));
        self.0.splice(begin..end.max(begin), [(first, last)]);
    }
}
