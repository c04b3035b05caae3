//! What a formula says of itself, so that a command line can be made of it.

use observation::{Time, Unit};

/// What an input is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// A number with a unit: the UCUM code in which the formula takes it, and the range
    /// in which it is valid, both ends included.
    Measure(&'static str, (f64, f64)),
    /// A bare number within a range, both ends included.
    Number((f64, f64)),
    /// One of some words.
    Word(&'static [&'static str]),
    /// An instant.
    Instant,
}

/// One input.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Input {
    /// Its name: a quantity's, or `elevation`, `latitude`, `longitude`, `time`,
    /// `day_of_year`, `phase`.
    pub name: &'static str,
    /// What it is.
    pub kind: Kind,
    /// Whether the formula has something to put in its place.
    pub optional: bool,
}

/// An input as given, in the formula's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Given {
    /// A number.
    Number(f64),
    /// The place of a word in the list of words.
    Word(usize),
    /// An instant.
    Instant(Time),
}

/// One way to compute one quantity.
#[derive(Clone, Copy, Debug)]
pub struct Formula {
    /// The quantity's name.
    pub quantity: &'static str,
    /// The method's name.
    pub method: &'static str,
    /// UCUM code of the result.
    pub unit: &'static str,
    /// What it takes, in the order in which `compute` gets it.
    pub inputs: &'static [Input],
    /// Author, title, year, table or equation.
    pub source: &'static str,
    /// The formula in a line or two.
    pub text: &'static str,
    /// Computes it; an absent optional input is none. An error says in a line why there
    /// is no value.
    pub compute: fn(&[Option<Given>]) -> Result<f64, String>,
}

/// Why there is no value.
#[derive(Clone, Debug, PartialEq)]
pub enum Trouble {
    /// Something is missing, unknown or in a wrong unit.
    Usage(String),
    /// Outside the range of the formula.
    Outside(String),
}

impl Formula {
    /// Whether all inputs it needs are among `names`, and all names among its inputs.
    pub fn takes(&self, names: &[&str]) -> bool {
        names.iter().all(|name| self.inputs.iter().any(|i| i.name == *name))
            && self.inputs.iter().all(|i| i.optional || names.contains(&i.name))
    }

    /// Computes the value from `name=value` pairs, in the formula's own unit.
    ///
    /// # Errors
    /// See [`Trouble`].
    pub fn value(&self, pairs: &[(&str, &str)]) -> Result<f64, Trouble> {
        if let Some((name, _)) =
            pairs.iter().find(|(n, _)| !self.inputs.iter().any(|i| i.name == *n))
        {
            return Err(Trouble::Usage(format!("{name} is no input of {}", self.quantity)));
        }
        let mut given = Vec::with_capacity(self.inputs.len());
        for input in self.inputs {
            let text = pairs.iter().find(|(name, _)| *name == input.name).map(|(_, text)| *text);
            given.push(match text {
                Some(text) => Some(input.read(text)?),
                None if input.optional => None,
                None => {
                    return Err(Trouble::Usage(format!(
                        "{} is missing; {}",
                        input.name,
                        input.form()
                    )));
                }
            });
        }
        (self.compute)(&given).map_err(Trouble::Outside)
    }
}

impl Input {
    /// Reads what was given.
    fn read(&self, text: &str) -> Result<Given, Trouble> {
        let usage = |why: &str| Trouble::Usage(format!("{}={text}: {why}", self.name));
        let within = |number: f64, (low, high): (f64, f64), unit: &str| {
            if (low..=high).contains(&number) {
                Ok(Given::Number(number))
            } else {
                Err(Trouble::Outside(format!(
                    "{} is {number}{unit}, outside {low} to {high}{unit}",
                    self.name
                )))
            }
        };
        match self.kind {
            Kind::Measure(code, range) => {
                let measure = observation::unit::Measure::parse(text).map_err(|e| usage(&e.0))?;
                let unit = Unit::parse(code).map_err(|e| usage(&e.0))?;
                let number = measure.to(&unit).map_err(|e| usage(&e.0))?;
                within(number, range, &format!(" {code}"))
            }
            Kind::Number(range) => {
                let number = text.parse::<f64>().ok().filter(|n| n.is_finite());
                within(number.ok_or_else(|| usage("a number is needed"))?, range, "")
            }
            Kind::Word(words) => words
                .iter()
                .position(|w| *w == text)
                .map(Given::Word)
                .ok_or_else(|| usage(&format!("one of {} is needed", words.join(", ")))),
            Kind::Instant => {
                Time::parse(text).map(Given::Instant).map_err(|e| usage(&e.to_string()))
            }
        }
    }

    /// How it is written.
    pub fn form(&self) -> String {
        match self.kind {
            Kind::Measure(code, (low, high)) => {
                format!("{}=NUMBER{code}, {low} to {high} {code}", self.name)
            }
            Kind::Number((low, high)) => format!("{}=NUMBER, {low} to {high}", self.name),
            Kind::Word(words) => format!("{}={}", self.name, words.join("|")),
            Kind::Instant => format!("{}=TIME, such as 2026-03-01T12:00:00Z", self.name),
        }
    }
}
