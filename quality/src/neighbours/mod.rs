//! What neighbours say of each other.

mod contrast;
mod matrix;
mod regression;
mod spread;
mod windows;
