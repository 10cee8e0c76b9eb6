//! The pieces of a session in their order, and which of them is the current one.

use thole_protocol::{ids::PieceNo, spec::PieceSpec};

use crate::piece::Piece;

/// Pieces are counted from 0; those before the current one are over, those after it have not begun.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Programme {
    pieces: Vec<Piece>,
    current: usize,
}

impl Programme {
    /// The piece that is being rowed, or comes next; `None` before there is one.
    pub(super) fn current(&self) -> Option<&Piece> {
        self.pieces.get(self.current)
    }

    /// The same, to change it.
    pub(super) fn current_mut(&mut self) -> Option<&mut Piece> {
        self.pieces.get_mut(self.current)
    }

    /// Its place in the order.
    pub(super) fn current_at(&self) -> usize {
        self.current
    }

    /// Its number.
    pub(super) fn current_no(&self) -> PieceNo {
        number(self.current)
    }

    /// The piece at this place; `None` where there is none.
    pub(super) fn get(&self, at: usize) -> Option<&Piece> {
        self.pieces.get(at)
    }

    /// The same, to change it.
    pub(super) fn get_mut(&mut self, at: usize) -> Option<&mut Piece> {
        self.pieces.get_mut(at)
    }

    /// All in their order.
    pub(super) fn all(&self) -> &[Piece] {
        &self.pieces
    }

    /// The same, to change them; none can be added or removed.
    pub(super) fn all_mut(&mut self) -> &mut [Piece] {
        &mut self.pieces
    }

    /// How many have begun: they come first.
    pub(super) fn begun(&self) -> usize {
        self.pieces.iter().take_while(|piece| piece.has_begun()).count()
    }

    /// Puts these in place of all after the first this many; returns what stood there.
    pub(super) fn replace_from(&mut self, first: usize, specs: &[PieceSpec]) -> Vec<PieceSpec> {
        let before = self.pieces.drain(first..).map(|piece| piece.spec).collect();
        let numbers = (first..).map(number);
        self.pieces.extend(numbers.zip(specs).map(|(no, spec)| Piece::new(no, spec.clone())));
        before
    }

    /// On to the next one; false where there is none.
    pub(super) fn advance(&mut self) -> bool {
        let has_next = self.current + 1 < self.pieces.len();
        self.current += usize::from(has_next);
        has_next
    }
}

fn number(at: usize) -> PieceNo {
    PieceNo(u16::try_from(at).unwrap_or(u16::MAX))
}
