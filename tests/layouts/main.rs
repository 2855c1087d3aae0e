//! The layout language on small layouts, whose places were worked out by hand.

mod organisations;
