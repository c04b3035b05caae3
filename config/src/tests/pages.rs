//! `[page]`.

use super::load_with;
use observation::{Quantity, Unit};

const PROPERTY: &str = "[property]\nname = \"Alder Croft\"\nlatitude = 54.07\nlongitude = -2.28\nelevation = \"212 m\"\n";

#[test]
fn units_are_chosen_quantity_by_quantity() {
    let settings =
        load_with(&format!("{PROPERTY}[page.units]\nwind_speed = \"[kn_i]\"\n"), &[]).unwrap();
    let unit = settings.page.units.get(&Quantity::WindSpeed).map(Unit::code);
    assert_eq!(unit, Some("[kn_i]"));
    for (text, told) in [
        ("[page.units]\nwind_speed = \"hPa\"\n", "`hPa` does not measure wind_speed"),
        ("[page.units]\nwind_sped = \"m/s\"\n", "`wind_sped` is no quantity known here"),
        ("[page.units]\nwind_speed = 3\n", "a unit is a text"),
        ("[page]\nweek_starts = \"mon\"\n", "`week_starts` cannot be `mon`"),
        ("[page]\nunit = 3\n", "unknown key `unit`"),
    ] {
        let faults = load_with(&format!("{PROPERTY}{text}"), &[]).unwrap_err();
        assert!(faults.render(false).contains(told), "{}", faults.render(false));
    }
}

#[test]
fn a_week_starts_on_monday_or_when_it_is_told() {
    let starts =
        |text: &str| load_with(&format!("{PROPERTY}{text}"), &[]).unwrap().page.week_starts;
    assert_eq!(starts(""), 0);
    assert_eq!(starts("[page]\nweek_starts = \"sunday\"\n"), 6);
}
