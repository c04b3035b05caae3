//! Checks on readings, from one station and from its neighbours; pure
