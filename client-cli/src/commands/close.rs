//! `close`: a job was done; its order ends and the record is kept.

use super::{asked_back, board, instant, request_id, stop};
use crate::{
    again::Again,
    args::orders::{AsFound, CloseArgs},
    exit::{Answer, Failure},
    render,
    session::Session,
};
use fettler_proto::v1 as pb;
use ring::digest::{SHA256, digest};
use std::{
    fmt::Write as _,
    io::{self, IsTerminal as _},
};
use uuid::Uuid;

/// Closes an order, or several in one stop.
pub(crate) async fn run(session: &Session, args: CloseArgs) -> Result<Answer, Failure> {
    let &[order] = args.orders.as_slice() else { return stop::run(session, args).await };
    let id = request_id(&args.change);
    let done_at = instant(session, "--done", args.done.as_deref()).await?;
    let mut request = resolve(session.site(), &args)?;
    request.order = order;
    request.done_at = done_at;
    request.request_id = id.to_string();
    if !request.cautions_confirmed {
        request.cautions_confirmed = show_cautions(session, request.order).await?;
    }
    let board = board(session).await?;
    let answer = session
        .say(&request, again(id, &request), |link, request| async move {
            link.orders().close_order(request).await
        })
        .await
        .map_err(|failure| asked_back::told(in_flags(failure, &request), &request))?;
    session.show(
        &answer,
        || render::order::closed(&answer, board),
        || render::order::rows(answer.order.as_slice()),
    )?;
    if let (Some(title), Some(order)) = (&args.follow_up, &answer.order) {
        let raised = follow_up(session, order, title, &request.done_by, id).await?;
        session.out.note(&format!("order {} was raised: {}\n", raised.order, raised.title));
    }
    Ok(Answer::Done)
}

/// A request id made from another, so that a repeat of the whole repeats each of its parts.
pub(super) fn id_of(whole: Uuid, order: i64, what: &str) -> Uuid {
    let made = digest(&SHA256, format!("{whole} {order} {what}").as_bytes());
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&made.as_ref()[..16]);
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

/// Raises an order for what a closing leaves to do.
pub(super) async fn follow_up(
    session: &Session,
    order: &pb::Order,
    title: &str,
    by: &str,
    whole: Uuid,
) -> Result<pb::DueItem, Failure> {
    let id = id_of(whole, order.number, "follow-up");
    let request = pb::RaiseOrderRequest {
        site: session.site(),
        request_id: id.to_string(),
        machine: order.machine.clone(),
        title: title.to_owned(),
        by: by.to_owned(),
        note: format!("left to do after order {}", order.number),
        ..Default::default()
    };
    let words = ["raise", &order.machine, title, "--by", by, "--note", &request.note];
    let again = Again::of(id).said(words.into_iter().map(str::to_owned).collect());
    let answer = session
        .say(&request, again, |link, request| async move { link.orders().raise_order(request).await })
        .await?;
    Ok(answer.item.unwrap_or_default())
}

/// A refusal that names what was typed instead of the fields of the call.
pub(super) fn in_flags(failure: Failure, request: &pb::CloseOrderRequest) -> Failure {
    match failure {
        Failure::Refused(mut complaint) => {
            for (field, _) in &mut complaint.fields {
                *field = flag(field, request);
            }
            Failure::Refused(complaint)
        }
        other @ (Failure::Usage(_)
        | Failure::NotReachable(_)
        | Failure::Interrupted
        | Failure::BrokenPipe) => other,
    }
}

/// The flag by which a field of the call is said.
fn flag(field: &str, request: &pb::CloseOrderRequest) -> String {
    let (list, rest) = field.split_once('[').unwrap_or((field, ""));
    let at = rest.split(']').next().and_then(|at| at.parse::<usize>().ok());
    let named = |flag: &str, name: Option<String>| match name {
        Some(name) => format!("{flag} {name}"),
        None => flag.to_owned(),
    };
    match list {
        "readings" => {
            let point = at.and_then(|at| request.readings.get(at)).map(|reading| reading.point.clone());
            named("--read", point)
        }
        "used" => named("--used", at.and_then(|at| request.used.get(at)).map(|item| item.item.clone())),
        "waste" => named("--waste", at.and_then(|at| request.waste.get(at)).map(|of| of.kind.clone())),
        "left_out" => named("--left-out", at.and_then(|at| request.left_out.get(at)).cloned()),
        "done_at" => "--done".to_owned(),
        "done_by" => "--by".to_owned(),
        "entered_by" | "as_found" | "cautions_confirmed" | "certificate" | "second_person" | "minutes"
        | "note" => {
            format!("--{}", list.replace('_', "-"))
        }
        _ => field.to_owned(),
    }
}

/// A closing ends its order, so a repeat finds no cautions to ask about: what was confirmed is said again.
fn again(id: Uuid, request: &pb::CloseOrderRequest) -> Again {
    let again = Again::of(id);
    if request.cautions_confirmed { again.flag("--cautions-confirmed") } else { again }
}

/// What the flags say, save for the order and when it was done.
pub(super) fn resolve(site: String, args: &CloseArgs) -> Result<pb::CloseOrderRequest, Failure> {
    let used = args.used.iter().map(|text| used(text)).collect::<Result<Vec<_>, _>>();
    let used = used.map_err(|error| Failure::usage(format!("--used: {error}")))?;
    let readings = args.readings.iter().map(|text| reading(text)).collect::<Result<_, _>>();
    let waste = args.waste.iter().map(|text| waste(text)).collect::<Result<_, _>>();
    let as_found = match args.as_found {
        None => pb::AsFound::Unspecified,
        Some(AsFound::Good) => pb::AsFound::Good,
        Some(AsFound::Worn) => pb::AsFound::Worn,
        Some(AsFound::Failed) => pb::AsFound::Failed,
        Some(AsFound::BrokeDown) => pb::AsFound::BrokeDown,
    };
    let mut request = pb::CloseOrderRequest {
        site,
        request_id: String::new(),
        order: 0,
        done_at: None,
        done_by: args.by.clone(),
        entered_by: args.entered_by.clone().unwrap_or_default(),
        as_found: as_found.into(),
        readings: readings.map_err(|error| Failure::usage(format!("--read: {error}")))?,
        used,
        cautions_confirmed: args.cautions_confirmed,
        certificate: args.certificate.clone().unwrap_or_default(),
        second_person: args.second_person.clone().unwrap_or_default(),
        minutes: args.minutes.unwrap_or_default(),
        note: args.note.clone().unwrap_or_default(),
        left_out: args.left_out.clone(),
        kit_used: args.kit,
        waste: waste.map_err(|error| Failure::usage(format!("--waste: {error}")))?,
        confirmed: Vec::new(),
    };
    asked_back::confirm(&args.it_is_so, &mut request)?;
    Ok(request)
}

/// Shows the order's cautions and, where a person is there to answer, asks whether they were heeded.
///
/// A question that cannot be asked never stands in the way of a record: the service keeps the cautions as not
/// confirmed. A refusal here is not told either, because the closing itself will meet the same one, or, being a
/// repeat of a request that was taken, succeed.
async fn show_cautions(session: &Session, order: i64) -> Result<bool, Failure> {
    let request = pb::ExplainOrderRequest { site: session.site(), order, ..Default::default() };
    let asked =
        session.ask(&request, |link, request| async move { link.due().explain_order(request).await }).await;
    let item = match asked {
        Ok(answer) => answer.item.unwrap_or_default(),
        Err(Failure::Refused(_)) => return Ok(false),
        Err(other) => return Err(other),
    };
    session.out.note(&told(&item));
    if item.cautions.is_empty() {
        return Ok(false);
    }
    if !(session.out.is_watched() && io::stdin().is_terminal()) {
        session.out.note(NOT_CONFIRMED);
        return Ok(false);
    }
    session.out.note("Were they shown to the doer and heeded? yes or no: ");
    loop {
        let answer = tokio::task::spawn_blocking(|| {
            let mut line = String::new();
            io::stdin().read_line(&mut line).map(|_| line)
        });
        let line =
            answer.await.map_err(|error| Failure::usage(format!("cannot read the answer: {error}")))?;
        let line = line.map_err(|error| Failure::usage(format!("cannot read the answer: {error}")))?;
        match heeded(&line) {
            Heeded::Yes => return Ok(true),
            Heeded::No => return Ok(false),
            Heeded::Ended => {
                session.out.note(NOT_CONFIRMED);
                return Ok(false);
            }
            Heeded::Unclear => session.out.note("that is neither; yes or no: "),
        }
    }
}

/// What is said where nobody is there to be asked: what was done is taken all the same.
const NOT_CONFIRMED: &str = "nobody confirmed these cautions: a closing keeps that as a finding (--cautions-confirmed confirms them)\n";

/// What a line says to the question whether cautions were heeded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Heeded {
    Yes,
    No,
    /// Neither, so that it is asked again.
    Unclear,
    /// The input has ended.
    Ended,
}

fn heeded(line: &str) -> Heeded {
    match yes_or_no(line) {
        Some(true) => Heeded::Yes,
        Some(false) => Heeded::No,
        None if line.is_empty() => Heeded::Ended,
        None => Heeded::Unclear,
    }
}

/// What an answer says; nothing where it is neither.
pub(super) fn yes_or_no(said: &str) -> Option<bool> {
    match said.trim().to_lowercase().as_str() {
        "y" | "yes" => Some(true),
        "n" | "no" => Some(false),
        _ => None,
    }
}

/// What is said of an order before it is closed; nothing where it has neither a hazard nor a caution.
fn told(item: &pb::DueItem) -> String {
    let mut text = match (item.cautions.as_slice(), item.hazard) {
        ([], false) => return String::new(),
        ([], true) => {
            format!(
                "Order {} is marked as a hazard: neglect or the work itself can hurt someone.\n",
                item.order
            )
        }
        (_, _) => format!("Cautions of order {}:\n", item.order),
    };
    for caution in &item.cautions {
        let _ = writeln!(text, "  - {caution}");
    }
    let _ = writeln!(text, "{}", render::due::DEFERRAL);
    text
}

/// Reads `point=value[unit]`.
pub(super) fn reading(text: &str) -> Result<pb::Reading, String> {
    let bad = |what: &str| format!("`{text}` {what}; write it like p-air=6.1bar");
    let (point, rest) = text.split_once('=').ok_or_else(|| bad("names no value"))?;
    let (value, unit) = amount(rest);
    if point.trim().is_empty() {
        return Err(bad("names no test point"));
    }
    if unit.starts_with(',') {
        return Err(bad("has a comma in its value where a point is needed"));
    }
    if !value.bytes().any(|b| b.is_ascii_digit()) {
        return Err(bad("has no number"));
    }
    Ok(pb::Reading {
        point: point.trim().to_owned(),
        value: value.to_owned(),
        unit: unit.to_owned(),
        confirmed: false,
    })
}

/// Reads `item=quantity [unit] [into|fills reservoir] [@ lot]`.
pub(super) fn used(text: &str) -> Result<pb::KitItem, String> {
    let bad = |what: &str| format!("`{text}` {what}; write it like \"way oil VG 68=2 L\"");
    let (said, lot) = text.split_once(" @ ").unwrap_or((text, ""));
    let (item, rest) = said.rsplit_once('=').ok_or_else(|| bad("names no quantity"))?;
    let (rest, into, change) = match (rest.split_once(" into "), rest.split_once(" fills ")) {
        (Some((rest, into)), _) => (rest, into, false),
        (None, Some((rest, into))) => (rest, into, true),
        (None, None) => (rest, "", false),
    };
    let (quantity, unit) = amount(rest);
    if item.trim().is_empty() {
        return Err(bad("names no item"));
    }
    if unit.starts_with(',') {
        return Err(bad("has a comma in its quantity where a point is needed"));
    }
    if !quantity.bytes().any(|b| b.is_ascii_digit()) {
        return Err(bad("has no number"));
    }
    Ok(pb::KitItem {
        item: item.trim().to_owned(),
        quantity: quantity.to_owned(),
        unit: unit.to_owned(),
        lot: lot.trim().to_owned(),
        into: into.trim().to_owned(),
        change,
    })
}

/// Reads `[reservoir=]quantity L kind [to route] [document number]`.
pub(super) fn waste(text: &str) -> Result<pb::WasteSaid, String> {
    let bad = |what: &str| {
        format!("`{text}` {what}; write it like \"sump=180 L used coolant to drum 7 document 4711\"")
    };
    let (reservoir, rest) = text.split_once('=').unwrap_or(("", text));
    let (rest, document) = rest.split_once(" document ").unwrap_or((rest, ""));
    let (rest, route) = rest.split_once(" to ").unwrap_or((rest, ""));
    let (litres, kind) = litres_of(rest).map_err(bad)?;
    Ok(pb::WasteSaid {
        reservoir: reservoir.trim().to_owned(),
        kind: kind.to_owned(),
        litres: litres.to_owned(),
        route: route.trim().to_owned(),
        document: document.trim().to_owned(),
    })
}

/// Reads `quantity L kind` of waste; else what is wrong with it.
pub(super) fn litres_of(text: &str) -> Result<(&str, &str), &'static str> {
    let (litres, kind) = amount(text);
    if kind.starts_with(',') {
        return Err("has a comma in its quantity where a point is needed");
    }
    if !litres.bytes().any(|b| b.is_ascii_digit()) {
        return Err("has no number");
    }
    let kind = kind.strip_prefix(['L', 'l']).filter(|kind| kind.is_empty() || kind.starts_with(' '));
    match kind.ok_or("is not said in L")?.trim() {
        "" => Err("names no kind of waste"),
        kind => Ok((litres, kind)),
    }
}

/// The leading number of a text, and what follows it.
fn amount(text: &str) -> (&str, &str) {
    let text = text.trim();
    let sign = usize::from(text.starts_with('-'));
    let end = text[sign..].find(|c: char| !c.is_ascii_digit() && c != '.').map_or(text.len(), |at| at + sign);
    let (number, unit) = text.split_at(end);
    (number, unit.trim())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unclear_answer_to_a_caution_is_asked_again() {
        for (line, said) in [
            ("yes\n", Heeded::Yes),
            (" Y\n", Heeded::Yes),
            ("No\n", Heeded::No),
            ("n\n", Heeded::No),
            ("yess\n", Heeded::Unclear),
            ("\n", Heeded::Unclear),
            ("", Heeded::Ended),
        ] {
            assert_eq!(heeded(line), said, "{line:?}");
        }
    }

    #[test]
    fn cautions_confirmed_at_the_terminal_stand_in_the_command_to_repeat() {
        let id = Uuid::nil();
        let closing = |cautions_confirmed| pb::CloseOrderRequest { cautions_confirmed, ..Default::default() };
        assert!(again(id, &closing(true)).command().ends_with(" --cautions-confirmed"));
        assert!(!again(id, &closing(false)).command().contains("--cautions-confirmed"));
    }

    #[test]
    fn a_refusal_names_what_was_typed() {
        let reading = pb::Reading { point: "line-air".into(), ..Default::default() };
        let used = pb::KitItem { item: "way oil".into(), ..Default::default() };
        let request =
            pb::CloseOrderRequest { readings: vec![reading], used: vec![used], ..Default::default() };
        for (field, typed) in [
            ("readings[0].value", "--read line-air"),
            ("readings[1].value", "--read"),
            ("used[0].quantity", "--used way oil"),
            ("done_at", "--done"),
            ("second_person", "--second-person"),
            ("order", "order"),
            ("orders/7", "orders/7"),
        ] {
            assert_eq!(flag(field, &request), typed);
        }
    }

    #[test]
    fn parts_of_a_repeat_have_the_same_ids_again() {
        let whole = Uuid::from_u128(7);
        assert_eq!(id_of(whole, 1, ""), id_of(whole, 1, ""));
        assert!(
            id_of(whole, 1, "") != id_of(whole, 2, "") && id_of(whole, 1, "") != id_of(whole, 1, "follow-up")
        );
    }

    #[test]
    fn a_hazard_or_a_caution_is_told_and_defers_to_who_knows_better() {
        let item = |hazard, cautions: &[&str]| pb::DueItem {
            order: 7,
            hazard,
            cautions: cautions.iter().map(|&text| text.to_owned()).collect(),
            ..Default::default()
        };
        let deferral = format!("{}\n", render::due::DEFERRAL);
        assert_eq!(told(&item(false, &[])), "");
        assert_eq!(told(&item(false, &["gloves"])), format!("Cautions of order 7:\n  - gloves\n{deferral}"));
        let alone = told(&item(true, &[]));
        assert!(alone.starts_with("Order 7 is marked as a hazard") && alone.ends_with(&deferral), "{alone}");
    }

    #[test]
    fn readings_are_split_into_point_value_and_unit() {
        for (text, point, value, unit) in [
            ("p-air=6.1bar", "p-air", "6.1", "bar"),
            ("p-air = 6.1 bar", "p-air", "6.1", "bar"),
            ("conc=8%", "conc", "8", "%"),
            ("ph=9.2", "ph", "9.2", ""),
            ("dp=-0.5", "dp", "-0.5", ""),
            ("ph=9.2[pH]", "ph", "9.2", "[pH]"),
        ] {
            let read = reading(text).unwrap();
            assert_eq!(
                (read.point.as_str(), read.value.as_str(), read.unit.as_str()),
                (point, value, unit),
                "{text}"
            );
        }
    }

    #[test]
    fn readings_that_cannot_be_read_name_the_remedy() {
        for bad in ["p-air", "=6", "p-air=", "p-air=bar", "p-air=6,1bar"] {
            let error = reading(bad).unwrap_err();
            assert!(error.contains(bad) && error.ends_with("write it like p-air=6.1bar"), "{error}");
        }
    }

    #[test]
    fn waste_is_split_into_what_how_much_and_where_to() {
        let of = waste("sump=180.5 L used coolant to drum 7 document 4711").unwrap();
        let all = [of.reservoir, of.litres, of.kind, of.route, of.document];
        assert_eq!(all, ["sump", "180.5", "used coolant", "drum 7", "4711"]);
        let of = waste("2 L oily rags").unwrap();
        assert_eq!([of.reservoir, of.kind, of.route, of.document], ["", "oily rags", "", ""]);
        for (bad, why) in [
            ("sump=used coolant", "has no number"),
            ("sump=L used coolant", "has no number"),
            ("sump=180 used coolant", "is not said in L"),
            ("180 L", "names no kind of waste"),
            ("180 Lot", "is not said in L"),
            ("12,5 L used coolant", "has a comma"),
        ] {
            let error = waste(bad).unwrap_err();
            assert!(error.contains(bad) && error.contains(why), "{error}");
        }
    }

    #[test]
    fn used_items_are_split_at_the_last_sign() {
        let item = used("grease a=b=0.4 kg").unwrap();
        assert_eq!(
            (item.item.as_str(), item.quantity.as_str(), item.unit.as_str()),
            ("grease a=b", "0.4", "kg")
        );
        let item = used("oil=2 L @ A=17").unwrap();
        assert_eq!((item.quantity.as_str(), item.unit.as_str(), item.lot.as_str()), ("2", "L", "A=17"));
        let item = used("coolant=8 L into sump @ A-17").unwrap();
        assert_eq!(
            (item.into.as_str(), item.change, item.unit.as_str(), item.lot.as_str()),
            ("sump", false, "L", "A-17")
        );
        let item = used("hydraulic oil=40 L fills tank").unwrap();
        assert_eq!((item.into.as_str(), item.change), ("tank", true));
        assert!(used("oil").is_err());
        assert!(used("oil=2,5 L").is_err());
    }
}
