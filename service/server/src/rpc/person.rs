//! People.

use super::{Answer, Desk};
use crate::pins::Digits;
use crate::wire::{page, people};
use fettler_proto::v1;
use tonic::{Request, async_trait};

#[async_trait]
impl v1::person_service_server::PersonService for Desk {
    async fn add_person(&self, request: Request<v1::AddPersonRequest>) -> Answer<v1::AddPersonResponse> {
        self.change("AddPerson", request, |call, ask| async move {
            let name = people::named(&ask.name)?;
            let (record, was_there) = call.store.add_person(&call.caller, &name).await?;
            Ok(v1::AddPersonResponse { person: Some(people::person(&record, call.now())), was_there })
        })
        .await
    }

    async fn set_pin(&self, request: Request<v1::SetPinRequest>) -> Answer<v1::SetPinResponse> {
        let (pins, pin) = (self.pins.clone(), Digits::anew(request.metadata()));
        self.change("SetPin", request, |call, ask| async move {
            let name = people::named(&ask.name)?;
            let pin = pin?;
            people::may_set_pin(&call.caller)?;
            let hash = pins.kept_as(pin).await?;
            let record = call.store.set_pin(&call.caller, &name, &hash).await?;
            Ok(v1::SetPinResponse { person: Some(people::person(&record, call.now())) })
        })
        .await
    }

    async fn erase_person(
        &self,
        request: Request<v1::ErasePersonRequest>,
    ) -> Answer<v1::ErasePersonResponse> {
        self.change("ErasePerson", request, |call, ask| async move {
            let people::Erasing { name, by, note } = people::erasing(&ask)?;
            // People are of all sites, and what is erased comes back for none.
            call.journal_of("installation").await?;
            let (record, revoked) = call.store.erase_person(&call.caller, &name, &by, &note).await?;
            let tokens_revoked = i32::try_from(revoked).unwrap_or(i32::MAX);
            Ok(v1::ErasePersonResponse { person: Some(people::person(&record, call.now())), tokens_revoked })
        })
        .await
    }

    async fn list_people(&self, request: Request<v1::ListPeopleRequest>) -> Answer<v1::ListPeopleResponse> {
        self.read(request, |call, ask| async move {
            let page = call.store.people(page::ask(&ask)?).await?;
            let next_page_token = page::token(&ask, page.next.as_ref());
            Ok(v1::ListPeopleResponse {
                people: page.rows.iter().map(|record| people::person(record, call.now())).collect(),
                next_page_token,
            })
        })
        .await
    }
}
