//! Formulas and statistics of surface meteorology; pure
