//! People.

use super::{Answer, Desk};
use crate::wire::{page, people};
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::person_service_server::PersonService for Desk {
    async fn add_person(&self, request: Request<v1::AddPersonRequest>) -> Answer<v1::AddPersonResponse> {
        self.change("AddPerson", request, |call, ask| async move {
            let name = people::added(&ask)?;
            let record = call.store.add_person(&call.caller, &name).await?;
            Ok(v1::AddPersonResponse { person: Some(people::person(&record)) })
        })
        .await
    }

    async fn list_people(&self, request: Request<v1::ListPeopleRequest>) -> Answer<v1::ListPeopleResponse> {
        self.read(request, |call, ask| async move {
            let page = call.store.people(page::ask(&ask)?).await?;
            let next_page_token = page::token(&ask, page.next.as_ref());
            Ok(v1::ListPeopleResponse {
                people: page.rows.iter().map(people::person).collect(),
                next_page_token,
            })
        })
        .await
    }
}
