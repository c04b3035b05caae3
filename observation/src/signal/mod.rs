//! From a raw signal to a quantity: counters, cups, vanes, gauges and calibrations.
