//! The messages of Prometheus Remote-Write 1.0 that are sent, field numbers as in its
//! specification.

/// A request.
#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct WriteRequest {
    #[prost(message, repeated, tag = "1")]
    pub(super) timeseries: Vec<TimeSeries>,
}

/// A series and some of its samples, oldest first.
#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct TimeSeries {
    #[prost(message, repeated, tag = "1")]
    pub(super) labels: Vec<Label>,
    #[prost(message, repeated, tag = "2")]
    pub(super) samples: Vec<Sample>,
}

/// A label.
#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct Label {
    #[prost(string, tag = "1")]
    pub(super) name: String,
    #[prost(string, tag = "2")]
    pub(super) value: String,
}

/// A value at a time, in milliseconds since 1970.
#[derive(Clone, Copy, PartialEq, prost::Message)]
pub(super) struct Sample {
    #[prost(double, tag = "1")]
    pub(super) value: f64,
    #[prost(int64, tag = "2")]
    pub(super) timestamp: i64,
}
