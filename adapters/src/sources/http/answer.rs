//! From a request to its answer.

use super::body::{self, Kind};
use super::connection::{Line, wrong_place};
use super::problem::{Problem, done};
use super::{Push, seats::Seats};
use crate::credentials::Grant;
use crate::payload::senml::Notation;
use crate::payload::{Decoded, Refused};
use crate::port::{self, Context, Delivery, Receipt};
use axum::Router;
use axum::body::Body;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, Method, Response, StatusCode, header};
use axum::routing::{any, post};
use observation::{Refusal, StationIndex};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::oneshot;
use tokio::time::timeout;

/// How long a sender waits for the commit before it is told to come again.
const PATIENCE: Duration = Duration::from_secs(2);
/// Longest token that is hashed.
const LONGEST_TOKEN: usize = 1_024;

/// What all requests of one session share.
pub(super) struct Desk {
    push: Arc<Push>,
    context: Context,
    pub(super) seats: Seats,
}

impl Desk {
    pub(super) fn new(push: &Arc<Push>, context: &Context) -> Arc<Self> {
        Arc::new(Self {
            push: Arc::clone(push),
            context: context.clone(),
            seats: Seats::new(push.connections, push.connections_per_address),
        })
    }

    /// The paths. HEAD is not answered as GET: it would store a sample.
    pub(super) fn router(self: &Arc<Self>) -> Router {
        Router::new()
            .route("/v1/samples", post(samples).fallback(only_post))
            .route("/v1/push/{station}", any(push))
            .fallback(nowhere)
            .with_state(Arc::clone(self))
    }

    /// Counts a refusal; its detail is cut to what a line may hold.
    pub(super) fn refused(&self, refused: &port::Refused<'_>) {
        let mut end = refused.detail.len().min(200);
        while !refused.detail.is_char_boundary(end) {
            end -= 1;
        }
        let detail = refused.detail.get(..end).unwrap_or_default();
        self.context
            .watch
            .refused(self.context.source, port::Refused { detail, ..refused.clone() });
    }

    fn respond(&self, result: Result<(), Problem>, allow: Option<&'static str>) -> Response<Body> {
        match result {
            Ok(()) => done(),
            Err(problem) => {
                if let Some((stage, refused)) = &problem.counted {
                    self.refused(&port::Refused { stage: *stage, ..refused.told() });
                }
                problem.response(allow)
            }
        }
    }

    /// Who speaks.
    fn grant(&self, headers: &HeaderMap, line: &Line) -> Result<Grant, Problem> {
        let token = bearer(headers);
        let grant = token.and_then(|token| self.context.credentials.verify(token));
        grant.ok_or_else(|| {
            let what = if token.is_some() { "a token that nobody has" } else { "no token" };
            let address = line.peer().ip();
            let detail = format!("{what} (from {address})");
            match self.push.pace.failed(address) {
                Ok(()) => Problem::unauthorized(detail),
                Err(wait) => {
                    let detail =
                        format!("too many requests without a right token (from {address})");
                    let refused = Refused { station: None, reason: Refusal::Rate, detail };
                    Problem::too_fast(refused, wait).closing()
                }
            }
        })
    }

    /// Hands over and waits for the commit.
    async fn store(&self, line: &Line, decoded: Vec<Decoded>) -> Result<(), Problem> {
        self.push.pace.samples(&decoded).map_err(|(station, wait)| {
            let detail = format!("faster than its rate; come again in {wait:.1} s");
            Problem::too_fast(
                Refused { station: Some(station), reason: Refusal::Rate, detail },
                wait,
            )
        })?;
        let messages: Vec<_> = decoded
            .into_iter()
            .filter(|d| !d.samples.is_empty())
            .map(|d| d.into_message(self.context.source, false, None))
            .collect();
        if messages.is_empty() {
            return Ok(());
        }
        let (receipt, durable) = oneshot::channel();
        let delivery =
            Delivery { sender: line.number(), messages, receipt: Receipt::Once(receipt) };
        let handed = async {
            self.context.intake.send(delivery).await.map_err(drop)?;
            durable.await.map_err(drop)
        };
        match timeout(PATIENCE, handed).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(())) => {
                Err(Problem::unavailable("it could not be stored; keep it and send it again"))
            }
            Err(_) => Err(Problem::unavailable(
                "it is not stored after 2 s; keep it and send it again, with a time or a sequence number of its own so that it counts once",
            )),
        }
    }

    async fn take_samples(&self, request: Request) -> Result<(), Problem> {
        let (parts, body) = request.into_parts();
        let line = line(&parts.extensions)?;
        let grant = self.grant(&parts.headers, line)?;
        let said = match body::kind(&parts.headers)? {
            Kind::Senml(notation) => Some(notation),
            Kind::Json => Some(Notation::Json),
            Kind::Unsaid => None,
            Kind::Form => {
                let detail = "SenML comes as application/senml+json or application/senml+cbor";
                return Err(Problem::frame(
                    StatusCode::UNSUPPORTED_MEDIA_TYPE,
                    Refusal::Malformed,
                    detail,
                ));
            }
        };
        let bytes = body::whole(&parts.headers, body).await?;
        line.complete();
        self.context.watch.arrived(self.context.source, "/v1/samples", &bytes);
        let notation = said.unwrap_or_else(|| Notation::of(&bytes));
        let decoded = self.push.reader.senml(&grant, notation, &bytes).map_err(Problem::refused)?;
        self.store(line, decoded).await
    }

    async fn take_push(
        &self,
        id: Result<Path<String>, PathRejection>,
        request: Request,
    ) -> Result<(), Problem> {
        let (parts, body) = request.into_parts();
        let line = line(&parts.extensions)?;
        let grant = self.grant(&parts.headers, line)?;
        let Ok(Path(id)) = id else {
            return Err(Problem::frame(
                StatusCode::BAD_REQUEST,
                Refusal::Malformed,
                "the path is not UTF-8",
            ));
        };
        let station = self.context.property.station(&id).filter(|station| grant.may(*station));
        let station = station.ok_or_else(|| Problem::forbidden(&id))?;
        let query = parts.uri.query().unwrap_or_default();
        let decoded = if parts.method == Method::GET {
            line.complete();
            self.arrived(parts.uri.path(), query.as_bytes());
            self.push.reader.form(station, self.push.maps.get(&station), query.as_bytes())
        } else {
            let kind = body::kind(&parts.headers)?;
            let bytes = body::whole(&parts.headers, body).await?;
            line.complete();
            if !query.is_empty() && !bytes.is_empty() {
                let detail = "values stand in the query or in the body, not in both";
                let refused = Refused {
                    station: Some(station),
                    reason: Refusal::Malformed,
                    detail: detail.to_owned(),
                };
                return Err(Problem::refused(refused));
            }
            let values: &[u8] = if bytes.is_empty() { query.as_bytes() } else { &bytes };
            self.arrived(parts.uri.path(), values);
            self.read(station, kind, &bytes, values)?
        };
        self.store(line, vec![decoded.map_err(Problem::refused)?]).await
    }

    /// Decodes a pushed body by its type, or by its first byte where none is said.
    fn read(
        &self,
        station: StationIndex,
        kind: Kind,
        body: &[u8],
        values: &[u8],
    ) -> Result<Result<Decoded, Refused>, Problem> {
        let map = self.push.maps.get(&station);
        let reader = &self.push.reader;
        let looks_like_json = matches!(body.trim_ascii_start().first(), Some(b'{' | b'['));
        match kind {
            _ if body.is_empty() => Ok(reader.form(station, map, values)),
            Kind::Json => Ok(reader.json(station, map, body)),
            Kind::Unsaid if looks_like_json => Ok(reader.json(station, map, body)),
            Kind::Form | Kind::Unsaid => Ok(reader.form(station, map, body)),
            Kind::Senml(_) => {
                let detail = "SenML goes to /v1/samples";
                Err(Problem::frame(StatusCode::UNSUPPORTED_MEDIA_TYPE, Refusal::Malformed, detail))
            }
        }
    }

    fn arrived(&self, path: &str, bytes: &[u8]) {
        self.context.watch.arrived(self.context.source, path, bytes);
    }
}

async fn samples(State(desk): State<Arc<Desk>>, request: Request) -> Response<Body> {
    let result = desk.take_samples(request).await;
    desk.respond(result, None)
}

async fn push(
    State(desk): State<Arc<Desk>>,
    id: Result<Path<String>, PathRejection>,
    request: Request,
) -> Response<Body> {
    if !matches!(*request.method(), Method::GET | Method::POST) {
        let problem = wrong_place(
            StatusCode::METHOD_NOT_ALLOWED,
            request.method().as_str(),
            request.uri().path(),
        );
        return desk.respond(Err(problem), Some("GET, POST"));
    }
    let result = desk.take_push(id, request).await;
    desk.respond(result, None)
}

async fn only_post(State(desk): State<Arc<Desk>>, request: Request) -> Response<Body> {
    let problem = wrong_place(
        StatusCode::METHOD_NOT_ALLOWED,
        request.method().as_str(),
        request.uri().path(),
    );
    desk.respond(Err(problem), Some("POST"))
}

async fn nowhere(State(desk): State<Arc<Desk>>, request: Request) -> Response<Body> {
    let problem =
        wrong_place(StatusCode::NOT_FOUND, request.method().as_str(), request.uri().path());
    desk.respond(Err(problem), None)
}

/// The connection that the request came through; it is put there before the router.
fn line(extensions: &axum::http::Extensions) -> Result<&Arc<Line>, Problem> {
    extensions.get::<Arc<Line>>().ok_or_else(|| Problem::unavailable("the connection is not known"))
}

/// The token of the one Authorization header, in the scheme Bearer (RFC 6750, 2.1).
fn bearer(headers: &HeaderMap) -> Option<&[u8]> {
    let mut values = headers.get_all(header::AUTHORIZATION).iter();
    let (Some(value), None) = (values.next(), values.next()) else { return None };
    let (scheme, token) = value.as_bytes().split_at_checked(7)?;
    let token = token.trim_ascii();
    (scheme.eq_ignore_ascii_case(b"bearer ") && !token.is_empty() && token.len() <= LONGEST_TOKEN)
        .then_some(token)
}
