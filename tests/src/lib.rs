//! What the tests of Thole are written with: a piece as text, and the seeded simulator.
