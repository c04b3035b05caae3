//! Which evidence takes over from which.

use super::*;

/// What becomes of a thermometer that is held to be off when another has stronger evidence, of
/// such a size.
fn turn(size: f64, held: Option<Reason>) -> Option<Turn> {
    let limits = Limits::default();
    let mut judge = Judge::new(Group::Air, 3, 1, &limits);
    for _ in 0..48 {
        judge.take(&[0.0; 73], None, &limits);
    }
    let score = |value: f64, size: f64| Score { value, window: 24, size, recent: value };
    let mut scores = vec![Score::default(); 6];
    scores[0] = score(6.0, 0.5);
    judge.open = Some(judge.opened(0, &scores, &limits));
    scores[1] = score(9.0, size);
    judge.decide(&scores, held, &limits)
}

#[test]
fn what_would_not_be_opened_is_not_handed_over_to() {
    let handed_over = |turn| matches!(turn, Some(Turn::HandedOver(from, to)) if (from.hypothesis, to.hypothesis) == (0, 1));
    assert!(handed_over(turn(0.5, None)));
    assert!(handed_over(turn(0.5, Some(Reason::SameSensor))), "it needs not wait for its own");
    assert!(!handed_over(turn(0.1, None)), "within what thermometers reach");
    assert!(!handed_over(turn(-0.5, Some(Reason::Cold))));
}
