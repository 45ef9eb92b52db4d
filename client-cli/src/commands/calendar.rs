//! `calendar`: what falls due, for people's own calendars.

use super::{paging, request_id, request_id_fresh};
use crate::{
    again::Again,
    args::{
        OutputForm,
        calendar::{
            CalendarAddArgs, CalendarCommand, CalendarFileArgs, CalendarListArgs, CalendarRevokeArgs,
        },
    },
    exit::{Answer, Failure},
    json,
    render::calendar as show,
    session::Session,
};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use fettler_domain::journal::Hash;
use fettler_proto::v1 as pb;
use ring::rand::SecureRandom as _;
use sha2::{Digest as _, Sha256};
use tonic::transport::Uri;

/// Runs a `calendar` command.
pub(super) async fn run(session: &Session, command: CalendarCommand) -> Result<Answer, Failure> {
    match command {
        CalendarCommand::Add(args) => add(session, args).await,
        CalendarCommand::List(args) => list(session, args).await,
        CalendarCommand::Revoke(args) => revoke(session, args).await,
        CalendarCommand::File(args) => file(session, args).await,
    }
}

/// A new secret: the service is told its hash only.
fn secret() -> Result<String, Failure> {
    let mut bytes = [0_u8; 32];
    let filled = ring::rand::SystemRandom::new().fill(&mut bytes);
    filled.map_err(|_| Failure::usage("the system gives no random bits for a secret"))?;
    Ok(URL_SAFE_NO_PAD.encode(bytes))
}

/// Where the service answers over HTTP: as it was said, else where it listens unless it was told otherwise.
fn base(server: &Uri, said: Option<&str>) -> Result<String, Failure> {
    if let Some(said) = said {
        let url = said.parse::<Uri>().ok().filter(|url| url.scheme().is_some() && url.host().is_some());
        let wrong =
            || Failure::usage(format!("--http `{said}` is no address; write it like http://shop:7134"));
        return url.map(|_| said.trim_end_matches('/').to_owned()).ok_or_else(wrong);
    }
    let next = server.port_u16().and_then(|port| port.checked_add(1));
    match (server.scheme_str(), server.host(), next) {
        (Some(scheme), Some(host), Some(port)) => Ok(format!("{scheme}://{host}:{port}")),
        _ => Err(Failure::usage("where the service answers over HTTP is not known; say it with --http URL")),
    }
}

async fn add(session: &Session, args: CalendarAddArgs) -> Result<Answer, Failure> {
    let base = base(&session.settings.server, args.http.as_deref())?;
    let secret = secret()?;
    let request = pb::AddDueCalendarRequest {
        request_id: request_id_fresh().to_string(),
        site: session.site(),
        name: args.name,
        person: args.person.unwrap_or_default(),
        areas: args.part.area,
        secret_sha256: Hash(Sha256::digest(&secret).into()).to_hex(),
    };
    // Typed again it makes another secret, and another address: the one before is known to nobody.
    let send = session.say(&request, Again::default(), |link, request| async move {
        link.calendars().add_due_calendar(request).await
    });
    let answer = send.await?;
    let address = format!("{base}/calendar/{secret}.ics");
    let shown = match session.settings.output {
        OutputForm::Json => with_address(&json::text(&answer), &address),
        OutputForm::Table => format!("{address}\n"),
        OutputForm::Csv => crate::csvout::text(&show::made(&answer, &address)),
    };
    session.out.data(&shown)?;
    if session.settings.output == OutputForm::Table {
        let number = answer.calendar.map(|calendar| calendar.number).unwrap_or_default();
        session.out.note(&format!(
            "calendar {number}: the address is shown this once; whoever knows it reads what it tells, until \
             `fettler calendar revoke {number}`\n"
        ));
    }
    Ok(Answer::Done)
}

/// The answer in JSON, with the address that only this client knows.
fn with_address(text: &str, address: &str) -> String {
    let mut told: serde_json::Value = serde_json::from_str(text).unwrap_or_default();
    told["address"] = address.into();
    format!("{told:#}\n")
}

async fn list(session: &Session, args: CalendarListArgs) -> Result<Answer, Failure> {
    let page = |page_size, page_token| async move {
        let request = pb::ListDueCalendarsRequest { site: session.site(), page_size, page_token };
        session
            .ask(&request, |link, request| async move { link.calendars().list_due_calendars(request).await })
            .await
    };
    let all = paging::gather(session, &args.limit, page).await?;
    session.show_list(&all, "no calendar has an address", || show::calendars(&all.calendars))?;
    Ok(Answer::Done)
}

async fn revoke(session: &Session, args: CalendarRevokeArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::RevokeDueCalendarRequest {
        request_id: id.to_string(),
        site: session.site(),
        number: args.number,
    };
    let answer =
        session
            .change(&request, id, |link, request| async move {
                link.calendars().revoke_due_calendar(request).await
            })
            .await?;
    session.show_list(&answer, "nothing", || show::calendars(answer.calendar.as_slice()))?;
    Ok(Answer::Done)
}

async fn file(session: &Session, args: CalendarFileArgs) -> Result<Answer, Failure> {
    if session.settings.output == OutputForm::Csv {
        return Err(Failure::usage("a calendar is no table; leave --output csv out"));
    }
    let request = pb::GetDueCalendarRequest { site: session.site(), areas: args.part.area };
    let answer = session
        .ask(&request, |link, request| async move { link.calendars().get_due_calendar(request).await })
        .await?;
    let shown = match session.settings.output {
        OutputForm::Json => json::text(&answer),
        OutputForm::Table | OutputForm::Csv => answer.ics.clone(),
    };
    let Some(path) = args.to else {
        session.out.data(&shown)?;
        return Ok(Answer::Done);
    };
    let name = path.display();
    std::fs::write(&path, shown).map_err(|error| Failure::usage(format!("cannot write {name}: {error}")))?;
    session.out.note(&format!("{name}: {} entries, {} cancelled\n", answer.standing, answer.cancelled));
    Ok(Answer::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_service_answers_over_http_beside_where_it_listens() {
        let beside = |server: &str, said| base(&server.parse().unwrap(), said);
        assert_eq!(beside("http://127.0.0.1:7133/", None).unwrap(), "http://127.0.0.1:7134");
        assert_eq!(beside("https://shop.example:7133", None).unwrap(), "https://shop.example:7134");
        assert_eq!(beside("http://[::1]:9", Some("https://shop/")).unwrap(), "https://shop");
        assert!(beside("http://shop:65535", None).is_err() && beside("http://shop", None).is_err());
        assert!(beside("http://shop:1", Some("shop")).is_err());
    }

    #[test]
    fn a_secret_is_new_each_time_and_as_the_service_takes_it() {
        let (one, other) = (secret().unwrap(), secret().unwrap());
        assert!(one != other && one.len() == 43, "{one}");
        let told = with_address("{\"calendar\": {\"number\": \"7\"}}", "http://x/y.ics");
        let told: serde_json::Value = serde_json::from_str(&told).unwrap();
        assert_eq!((&told["calendar"]["number"], &told["address"]), (&"7".into(), &"http://x/y.ics".into()));
    }
}
