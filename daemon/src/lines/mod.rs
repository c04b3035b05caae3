//! Replay lines: one JSON object a line, the form in which readings leave the program
//! and samples leave and enter it. Written once here for `replay`, `export` and the page.

pub mod bounded;
pub mod diagnosis;
pub mod input;
pub mod reading;
pub mod sample;
