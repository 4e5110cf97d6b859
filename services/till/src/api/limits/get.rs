//! GET /api/limits

use super::LimitsShown;
use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use axum::Json;
use axum::extract::State;
use domain::people::Role;
use serde::Serialize;
use utoipa::ToSchema;

/// The limits of each role that has any, and of each token.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AllLimitsShown {
    roles: Vec<RoleLimits>,
    tokens: Vec<TokenLimits>,
}

/// The limits of everybody with a role.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RoleLimits {
    role: &'static str,
    limits: LimitsShown,
}

/// The limits of a token: its own, or its role's where it has none.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TokenLimits {
    name: String,
    role: &'static str,
    limits: LimitsShown,
}

/// The limits of each role and each token. Owners have none.
#[utoipa::path(get, path = "/api/limits", tag = "limits",
    responses((status = 200, description = "The limits that hold now.", body = AllLimitsShown), ReadProblems))]
pub(crate) async fn read_limits(State(app): State<App>) -> Result<Json<AllLimitsShown>, Problem> {
    Ok(Json(AllLimitsShown { roles: of_roles(&app).await?, tokens: of_tokens(&app).await? }))
}

async fn of_roles(app: &App) -> Result<Vec<RoleLimits>, Problem> {
    let mut roles = Vec::new();
    for role in [Role::Counter, Role::Maker] {
        let limits = (&app.ledger.limits(role, None).await?).into();
        roles.push(RoleLimits { role: role.code(), limits });
    }
    Ok(roles)
}

async fn of_tokens(app: &App) -> Result<Vec<TokenLimits>, Problem> {
    let mut tokens = Vec::new();
    for token in app.ledger.tokens().await? {
        let limits = (&app.ledger.limits(token.role, Some(&token.jti)).await?).into();
        tokens.push(TokenLimits { name: token.name, role: token.role.code(), limits });
    }
    Ok(tokens)
}
