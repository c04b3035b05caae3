//! What must not be lost: the log and everything that stands beside it
