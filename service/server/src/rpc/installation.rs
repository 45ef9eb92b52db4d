//! The installation itself.

use super::{Answer, Desk};
use crate::status::Failure;
use crate::wire::time::{stamp, stamp_of};
use fettler_domain::access::Scope;
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::installation_service_server::InstallationService for Desk {
    async fn get_installation(
        &self,
        request: Request<v1::GetInstallationRequest>,
    ) -> Answer<v1::GetInstallationResponse> {
        self.read(request, |call, _| async move {
            let record = call.record.clone().ok_or(Failure::TokenMissing)?;
            let sites = match record.access.scope {
                Scope::Installation => Vec::new(),
                Scope::Sites(_) => call.sites().await?,
            };
            let token = v1::TokenCard {
                name: record.name.clone(),
                roles: record.access.roles().map(|role| role.word().to_owned()).collect(),
                sites: sites.iter().map(|site| site.card.key.to_string()).collect(),
                expires_at: stamp_of(record.expires_at),
                own: record.person.is_some(),
            };
            Ok(v1::GetInstallationResponse {
                version: env!("CARGO_PKG_VERSION").to_owned(),
                schema: fettler_store::schema(),
                now: Some(stamp(call.caller.now)),
                token: Some(token),
            })
        })
        .await
    }
}
