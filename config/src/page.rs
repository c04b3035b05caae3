//! `[page]`: how people see what is measured.

use crate::reader::Table;
use crate::settings::PageSettings;
use observation::{Quantity, Unit};
use toml::de::DeValue;

const WEEK: [(&str, u8); 7] = [
    ("monday", 0),
    ("tuesday", 1),
    ("wednesday", 2),
    ("thursday", 3),
    ("friday", 4),
    ("saturday", 5),
    ("sunday", 6),
];

pub(crate) fn page(root: &Table<'_>) -> PageSettings {
    let mut page = PageSettings::default();
    let Some(table) = root.table("page") else { return page };
    page.week_starts = table.item("week_starts").and_then(|i| i.choice(&WEEK)).unwrap_or(0);
    let units = table.item("units").and_then(|item| item.table("[page.units]"));
    for (name, item) in units.map(Table::entries).unwrap_or_default() {
        let Some(quantity) = Quantity::parse(name.get_ref()) else {
            let names = Quantity::ALL.iter().map(|q| q.name());
            let help = crate::nearest(name.get_ref(), names).map_or_else(
                || "quantities have CF standard names".to_owned(),
                |n| format!("did you mean `{n}`?"),
            );
            let message = format!("`{}` is no quantity known here", name.get_ref());
            item.report.fault(&name.span(), &message, &help);
            continue;
        };
        let DeValue::String(_) = item.value else {
            item.fault("a unit is a text", &format!("write {quantity} = \"{}\"", quantity.unit()));
            continue;
        };
        let Some(code) = item.text() else { continue };
        match (Unit::parse(code), Unit::parse(quantity.unit())) {
            (Ok(unit), Ok(own)) if unit.fits(&own) => {
                page.units.insert(quantity, unit);
            }
            (Ok(_), _) => item.fault(
                &format!("`{code}` does not measure {quantity}"),
                &format!("write a unit that converts to {}", quantity.unit()),
            ),
            (Err(why), _) => item.fault(&why.to_string(), "units are UCUM codes"),
        }
    }
    table.finish();
    page
}
