//! Speed and size as ratios against peers measured in the same run.

fn main() {}
