//! The codec against `bitvec`, a general-purpose bit library, on random layouts and images.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod builder;
mod random;
