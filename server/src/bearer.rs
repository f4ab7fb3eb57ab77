//! Who is calling: the access token, the roles that a route is for, and the machine that must be open to the caller.
//!
//! Roles are looked up at every call and never taken from the token.

use axum::extract::{FromRequestParts, Path};
use axum::http::header;
use axum::http::request::Parts;
use shared::ids::{DeviceId, DocId, MachineId, PersonId};
use shared::problem::Code;
use shared::role::Role;

use crate::problem_response::ApiError;
use crate::state::ServerState;

/// An enrolled device that showed a token which holds now.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Caller {
    pub(crate) device: DeviceId,
    pub(crate) person: PersonId,
    role: Option<Role>,
}

/// A caller with the token itself, for what goes on after the request was let in.
// Without Debug: the token must not end up in a log.
pub(crate) struct WithToken {
    pub(crate) caller: Caller,
    pub(crate) token: String,
}

/// A caller of the office.
#[derive(Debug)]
pub(crate) struct Office(pub(crate) Caller);

/// A caller of the office, or a lead.
#[derive(Debug)]
pub(crate) struct OfficeOrLead;

/// The machine that the path names, open to the caller.
#[derive(Debug, Clone, Copy)]
pub(crate) struct OpenMachine(pub(crate) DocId);

impl Caller {
    /// The caller, who must be of the office or a lead.
    pub(crate) fn office_or_lead(self) -> Result<Self, ApiError> {
        self.needs(&[Role::Office, Role::Lead], "the office and leads")
    }

    fn needs(self, roles: &[Role], whom: &str) -> Result<Self, ApiError> {
        if self.role.is_some_and(|role| roles.contains(&role)) {
            return Ok(self);
        }
        let has = self.role.map_or_else(|| "no role".to_owned(), |role| format!("the role {role}"));
        Err(ApiError::new(Code::RoleMayNot, format!("This is for {whom}, and the caller has {has}. Nothing was changed. Ask the office.")))
    }
}

/// The token of a request. Two of them are as good as none: whose would count?
fn token_of(parts: &Parts) -> Result<String, ApiError> {
    let mut given = parts.headers.get_all(header::AUTHORIZATION).iter();
    let one = given.next().filter(|_| given.next().is_none());
    let token = one.and_then(|value| value.to_str().ok()).and_then(|value| {
        let (scheme, token) = value.split_once(' ')?;
        scheme.eq_ignore_ascii_case("bearer").then(|| token.trim().to_owned())
    });
    token.filter(|token| !token.is_empty()).ok_or_else(|| {
        let say = "No access token came with the request. Log in at /v1/token and send the token as Authorization: Bearer.";
        ApiError::new(Code::TokenInvalid, say)
    })
}

impl FromRequestParts<ServerState> for Caller {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        // Whoever was asked for already, by a layer, is neither looked up nor counted twice.
        if let Some(caller) = parts.extensions.get::<Self>() {
            return Ok(*caller);
        }
        let token = token_of(parts)?;
        let now = state.now();
        let (device, person, role) = state.read(move |book| book.tokens().bearer_with_role(&token, &now)).await?;
        state.pace.device(device, &now).map_err(ApiError::too_many_requests)?;
        Ok(Self { device, person, role })
    }
}

impl FromRequestParts<ServerState> for WithToken {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        Ok(Self { token: token_of(parts)?, caller: Caller::from_request_parts(parts, state).await? })
    }
}

impl FromRequestParts<ServerState> for Office {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        Caller::from_request_parts(parts, state).await?.needs(&[Role::Office], "the office").map(Self)
    }
}

impl FromRequestParts<ServerState> for OfficeOrLead {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        Caller::from_request_parts(parts, state).await?.office_or_lead().map(|_| Self)
    }
}

impl FromRequestParts<ServerState> for OpenMachine {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &ServerState) -> Result<Self, ApiError> {
        let caller = Caller::from_request_parts(parts, state).await?;
        let named = Path::<String>::from_request_parts(parts, state).await.ok();
        let machine: MachineId = named.and_then(|Path(id)| id.parse().ok()).ok_or_else(ApiError::closed)?;
        let open = state.read(move |book| book.read_by(caller.person).may_read(machine.doc())).await?;
        if open { Ok(Self(machine.doc())) } else { Err(ApiError::closed()) }
    }
}
