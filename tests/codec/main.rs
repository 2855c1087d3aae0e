//! The codec against `bitvec`, a general-purpose bit library, on random layouts and images.

mod builder;
mod random;
