//! Tables of what the panes show.

use super::roles::Role;
use super::source::Source;
use maud::{Markup, html};
use observation::Quantity;

/// The panes in figures, slot by slot, the newest first.
pub fn slots(source: &Source<'_>) -> Markup {
    let texts = source.texts;
    let stretches = source.stretches();
    let left_out: u64 = Role::ALL
        .iter()
        .filter_map(|r| source.gathered.trace(*r))
        .map(|t| t.columns.left_out)
        .sum();
    let has = |role: Role| source.gathered.trace(role).is_some();
    let name = |quantity: Quantity| texts.quantity(quantity);
    html! {
        details {
            summary { (texts.hours_table) }
            div.wide tabindex="0" role="region" aria-label=(texts.hours_table) { table {
                caption { (texts.doubtful_out) " " (left_out) " " (texts.left_out) "." }
                thead { tr {
                    th scope="col" { (if source.hourly() { texts.hour } else { texts.date }) }
                    @if let Some(trace) = source.gathered.trace(Role::Pressure) { th scope="col" { (name(trace.series.quantity)) } }
                    @if has(Role::Temperature) { th scope="col" { (name(Quantity::AirTemperature)) } }
                    @if has(Role::DewPoint) { th scope="col" { (name(Quantity::DewPointTemperature)) } }
                    @if has(Role::Direction) { th scope="col" { (name(Quantity::WindFromDirection)) } }
                    @if has(Role::Speed) { th scope="col" { (name(Quantity::WindSpeed)) } }
                    @if has(Role::Gust) { th scope="col" { (texts.gust) } }
                    @if has(Role::Rain) { th scope="col" { (texts.rain) } }
                } }
                tbody { @for stretch in stretches.iter().rev() { tr {
                    th scope="row" { (source.name(stretch)) }
                    @if has(Role::Pressure) { td.number { (source.mean(Role::Pressure, stretch)) } }
                    @if has(Role::Temperature) { td.number { (source.mean(Role::Temperature, stretch)) } }
                    @if has(Role::DewPoint) { td.number { (source.mean(Role::DewPoint, stretch)) } }
                    @if has(Role::Direction) { td.number { (source.direction(stretch)) } }
                    @if has(Role::Speed) { td.number { (source.mean(Role::Speed, stretch)) } }
                    @if has(Role::Gust) { td.number { (source.most(Role::Gust, stretch)) } }
                    @if has(Role::Rain) { td.number { (source.rain(stretch)) } }
                } } }
            } }
        }
    }
}
