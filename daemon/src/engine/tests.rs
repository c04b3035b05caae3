//! The engine against a fake processor.
