//! The body of a request, read as its description says and no wider: a list in an object's place, or a key that nobody reads, is refused.
//! Whoever writes `{"act": "release", "machine": "B"}` means something that would not happen.

use axum::Json;
use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::api::problem;

/// A body that was understood wholly.
pub(super) struct Asked<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned + Serialize> FromRequest<S> for Asked<T> {
    type Rejection = Response;

    async fn from_request(request: Request, state: &S) -> Result<Asked<T>, Response> {
        let said = Json::<Value>::from_request(request, state).await;
        let Json(said) = said.map_err(|e| problem(e.status(), e.body_text()).into_response())?;
        read(&said).map(Asked).map_err(|why| problem(StatusCode::UNPROCESSABLE_ENTITY, why).into_response())
    }
}

fn read<T: DeserializeOwned + Serialize>(said: &Value) -> Result<T, String> {
    let understood = T::deserialize(said).map_err(|e| e.to_string())?;
    let again = serde_json::to_value(&understood).map_err(|e| e.to_string())?;
    match unread(said, &again, "the request") {
        None => Ok(understood),
        Some(place) => Err(format!("{place} means nothing here")),
    }
}

/// The first place of what was said that what was understood has no room for.
fn unread(said: &Value, understood: &Value, place: &str) -> Option<String> {
    match (said, understood) {
        (Value::Object(said), Value::Object(understood)) => said.iter().find_map(|(key, value)| {
            let place = format!("{place}.{key}");
            understood.get(key).map_or_else(|| Some(place.clone()), |u| unread(value, u, &place))
        }),
        (Value::Array(said), Value::Array(understood)) if said.len() == understood.len() => {
            said.iter().zip(understood).enumerate().find_map(|(i, (s, u))| unread(s, u, &format!("{place}[{i}]")))
        }
        (Value::Object(_) | Value::Array(_), _) => Some(place.to_owned()),
        _ => None,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::check::CheckRequest;
    use crate::page::DeskAct;

    #[test]
    fn what_is_read_is_all_that_was_written() {
        let act = |text: &str| read::<DeskAct>(&serde_json::from_str(text).unwrap());
        let check = |text: &str| read::<CheckRequest>(&serde_json::from_str(text).unwrap());
        assert_eq!(act(r#"{"act":"release"}"#), Ok(DeskAct::Release));
        assert!(act(r#"{"act":"changeover","to":"B"}"#).is_ok());
        assert!(act(r#"{"act":"shelve","alarm":3.0,"minutes":15}"#).is_ok());
        assert_eq!(act(r#"{"act":"release","machine":"B"}"#).unwrap_err(), "the request.machine means nothing here");
        assert!(act(r#"["release"]"#).is_err());
        assert!(check(r#"{"depth":"fast","word":{"desk_muted":true,"level":null,"parked":["video"]}}"#).is_ok());
        assert_eq!(check(r#"{"depth":"quick","word":[true]}"#).unwrap_err(), "the request.word means nothing here");
        assert!(check(r#"[null,"quick"]"#).is_err());
        assert!(check(r#"{"depth":"quick","word":{"desk_muted":true,"sure":true}}"#).is_err());
    }
}
