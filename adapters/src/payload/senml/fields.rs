//! The fields of one SenML record as they stand in the pack: labels, types, each at
//! most once (RFC 8428, sections 4.1 to 4.3, 5 and 6).

use std::borrow::Cow;

/// A number as it is written; a whole one that is not negative keeps all its digits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Number {
    Whole(u64),
    Other(f64),
}

impl Number {
    pub(super) fn float(self) -> f64 {
        match self {
            Self::Whole(n) => n as f64,
            Self::Other(n) => n,
        }
    }
}

/// The value that a record itself gives.
#[derive(Default)]
pub(super) enum Own<'de> {
    #[default]
    None,
    Number(Number),
    Text(Cow<'de, str>),
    Flag(bool),
    Bytes(Cow<'de, [u8]>),
}

/// A record as it stands in the pack.
#[derive(Default)]
pub(super) struct Record<'de> {
    pub(super) base_name: Option<Cow<'de, str>>,
    pub(super) base_time: Option<f64>,
    pub(super) base_unit: Option<Cow<'de, str>>,
    pub(super) base_value: Option<Number>,
    pub(super) base_sum: Option<f64>,
    pub(super) version: Option<u64>,
    pub(super) name: Option<Cow<'de, str>>,
    pub(super) unit: Option<Cow<'de, str>>,
    pub(super) time: Option<f64>,
    pub(super) sum: Option<f64>,
    pub(super) data: Own<'de>,
    pub(super) values: u8,
    labels: u16,
}

/// What a label's value is read from. Each call takes the next value; its errors name
/// the label.
pub(super) trait Values<'de> {
    type Error;
    fn text(&mut self) -> Result<Cow<'de, str>, Self::Error>;
    fn number(&mut self) -> Result<Number, Self::Error>;
    fn version(&mut self) -> Result<u64, Self::Error>;
    fn flag(&mut self) -> Result<bool, Self::Error>;
    fn bytes(&mut self) -> Result<Cow<'de, [u8]>, Self::Error>;
}

impl<'de> Record<'de> {
    /// Whether it only sets bases for what follows: common practice, though section 4.2
    /// asks for a value in every record.
    pub(super) fn is_only_bases(&self) -> bool {
        self.labels & !Label::BASES == 0
    }

    /// Marks a label as read; whether this is the first time.
    pub(super) fn mark(&mut self, label: Label) -> bool {
        let bit = 1_u16 << label as u16;
        let is_new = self.labels & bit == 0;
        self.labels |= bit;
        is_new
    }

    /// Reads the value of a label.
    pub(super) fn read<V: Values<'de>>(
        &mut self,
        label: Label,
        values: &mut V,
    ) -> Result<(), V::Error> {
        match label {
            Label::Bn => self.base_name = Some(values.text()?),
            Label::Bt => self.base_time = Some(values.number()?.float()),
            Label::Bu => self.base_unit = Some(values.text()?),
            Label::Bv => self.base_value = Some(values.number()?),
            Label::Bs => self.base_sum = Some(values.number()?.float()),
            Label::Bver => self.version = Some(values.version()?),
            Label::N => self.name = Some(values.text()?),
            Label::U => self.unit = Some(values.text()?),
            Label::T => self.time = Some(values.number()?.float()),
            Label::S => self.sum = Some(values.number()?.float()),
            // When the next value may be expected: of no use here, its type is checked.
            Label::Ut => drop(values.number()?),
            Label::V | Label::Vs | Label::Vb | Label::Vd => {
                self.values += 1;
                self.data = match label {
                    Label::V => Own::Number(values.number()?),
                    Label::Vs => Own::Text(values.text()?),
                    Label::Vb => Own::Flag(values.flag()?),
                    _ => Own::Bytes(values.bytes()?),
                };
            }
        }
        Ok(())
    }
}

/// What a field says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Label {
    Bn = 0,
    Bt,
    Bu,
    Bv,
    Bs,
    Bver,
    N,
    U,
    V,
    Vs,
    Vb,
    Vd,
    S,
    T,
    Ut,
}

/// RFC 8428, table 4: the labels with their text in JSON and their number in CBOR.
const LABELS: [(Label, &str, i8); 15] = [
    (Label::N, "n", 0),
    (Label::V, "v", 2),
    (Label::U, "u", 1),
    (Label::T, "t", 6),
    (Label::Bn, "bn", -2),
    (Label::Bt, "bt", -3),
    (Label::Bu, "bu", -4),
    (Label::Bv, "bv", -5),
    (Label::Bs, "bs", -6),
    (Label::Bver, "bver", -1),
    (Label::Vs, "vs", 3),
    (Label::Vb, "vb", 4),
    (Label::Vd, "vd", 8),
    (Label::S, "s", 5),
    (Label::Ut, "ut", 7),
];

impl Label {
    const BASES: u16 = 0b11_1111;

    /// The label that a text stands for.
    pub(super) fn of_text(text: &str) -> Option<Self> {
        LABELS.iter().find(|(_, t, _)| *t == text).map(|(label, ..)| *label)
    }

    /// The label that a whole number stands for, and its text.
    pub(super) fn of_number(number: i128) -> Option<(Self, &'static str)> {
        LABELS
            .iter()
            .find(|(.., n)| i128::from(*n) == number)
            .map(|(label, text, _)| (*label, *text))
    }

    /// Its number in CBOR.
    pub(super) fn number(self) -> i8 {
        LABELS.iter().find(|(label, ..)| *label == self).map_or(0, |(.., number)| *number)
    }
}
