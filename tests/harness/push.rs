//! A small HTTP client for pushes and pages.

use std::net::SocketAddr;
use std::time::Duration;

/// One answer.
#[derive(Debug)]
pub struct Answer {
    /// HTTP status; 0 where the connection failed.
    pub status: u16,
    /// Content type.
    pub kind: String,
    /// Body.
    pub body: String,
}

/// A client that keeps its connection.
pub struct Client {
    agent: ureq::Agent,
}

impl Default for Client {
    fn default() -> Self {
        Self::new()
    }
}

impl Client {
    /// A client with a deadline of ten seconds a request.
    pub fn new() -> Self {
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(10)))
            .build()
            .into();
        Self { agent }
    }

    /// Fetches a path.
    pub fn get(&self, address: SocketAddr, path: &str) -> Answer {
        answer(self.agent.get(format!("http://{address}{path}")).call())
    }

    /// Posts a body with a token.
    pub fn post(
        &self,
        address: SocketAddr,
        path: &str,
        kind: &str,
        token: &str,
        body: &str,
    ) -> Answer {
        answer(
            self.agent
                .post(format!("http://{address}{path}"))
                .header("Content-Type", kind)
                .header("Authorization", format!("Bearer {token}"))
                .send(body),
        )
    }

    /// Posts a SenML pack.
    pub fn senml(&self, address: SocketAddr, token: &str, body: &str) -> Answer {
        self.post(address, "/v1/samples", "application/senml+json", token, body)
    }
}

fn answer(result: Result<ureq::http::Response<ureq::Body>, ureq::Error>) -> Answer {
    match result {
        Ok(mut response) => Answer {
            status: response.status().as_u16(),
            kind: response
                .headers()
                .get("content-type")
                .and_then(|v| v.to_str().ok())
                .unwrap_or_default()
                .to_owned(),
            body: response.body_mut().read_to_string().unwrap_or_default(),
        },
        Err(error) => Answer { status: 0, kind: String::new(), body: error.to_string() },
    }
}
