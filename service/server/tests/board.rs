//! The board, asked as a browser asks it, at a server on a real store: who reads it, how a token is entered and ends, and what becomes of
//! a closing that is typed there.

#![expect(clippy::unwrap_used, reason = "test code beside the test functions")]

#[path = "support/board_shop.rs"]
mod shop;
mod support;

use fettler_domain::access::Role;
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_proto::v1::order_service_client::OrderServiceClient;
use shop::{Shop, added, caller, hidden};
use std::fmt::Write as _;
use support::NOW;
use support::web::ask;

const WELL: &str = "&heeded=yes&found=worn&by=Ada+Kern&read.line-air=6.1&note=half+full";

#[tokio::test]
async fn without_a_token_nothing_is_told() {
    let shop = Shop::open(false, false).await;
    for path in ["/board", "/board?wall=1", "/board/order/1", "/board/order/999"] {
        let told = shop.get(path, "").await;
        assert_eq!(told.status, 401, "{path}");
        let text = told.text();
        assert!(!text.contains("North") && !text.contains("L-0") && text.contains("Enter a token"), "{text}");
    }
    let (mark, body) = ("x", "found=good&by=Ada+Kern");
    let told = shop.post("/board/order/1", "fettler-board=made-up", &format!("mark={mark}&{body}")).await;
    assert_eq!(told.status, 401);
}

#[tokio::test]
async fn the_bare_address_leads_to_the_board() {
    let shop = Shop::open(false, false).await;
    for (asked, leads_to) in [("/", "/board"), ("/?wall=1&site=north", "/board?wall=1&site=north")] {
        let told = shop.get(asked, "").await;
        assert_eq!((told.status, told.headers["location"].as_str()), (303, leads_to));
        assert_eq!(told.text(), "");
    }
}

#[tokio::test]
async fn a_page_runs_nothing_loads_nothing_and_writes_what_people_wrote_as_text() {
    let shop = Shop::open(false, true).await;
    let told = shop.get("/board", "").await;
    assert_eq!(told.status, 200);
    let policy = &told.headers["content-security-policy"];
    assert!(policy.starts_with("default-src 'none'; style-src 'sha256-"), "{policy}");
    assert!(policy.ends_with("form-action 'self'; base-uri 'none'; frame-ancestors 'none'"), "{policy}");
    assert_eq!(told.headers["cache-control"], "no-store");
    assert_eq!(told.headers["refresh"], "60; url=/board");
    let text = told.text();
    assert!(text.contains("North &amp; sons") && text.contains("Lathe &lt;1&gt;"), "{text}");
    assert!(text.contains("<html lang=\"en-GB\">") && !text.contains("<script") && !text.contains("src="));
    for what in ["Must not start", "The interlock failed", "Hall a", "27 days late", "below the regulator"] {
        assert!(text.contains(what), "{what}: {text}");
    }
    assert!(!shop.get("/board?still=1", "").await.headers.contains_key("refresh"));
}

#[tokio::test]
async fn names_are_told_to_whoever_works_and_to_nobody_else() {
    let shop = Shop::open(false, true).await;
    shop.call("RoundService/EndRound", r#"{"by": "Ada Kern", "note": "Jo Lind has the key"}"#).await;
    let (token, _) = added(&*shop.store, Role::Technician).await;
    let (screen, tablet) = (shop.enter(&token, "screen").await, shop.enter(&token, "work").await);
    for (path, cookie) in
        [("/board", ""), ("/board?wall=1", ""), ("/board", &*screen), ("/board?wall=1", &screen)]
    {
        let text = shop.get(path, cookie).await.text();
        assert!(text.contains("Must not start") && text.contains("Handed over"), "{text}");
        assert!(!text.contains("Ada") && !text.contains("Lind"), "{path}: {text}");
    }
    let text = shop.get("/board", &tablet).await.text();
    assert!(text.contains("said by Jo Lind") && text.contains("Jo Lind has the key"), "{text}");
    let path = format!("/board/order/{}", shop.order().await);
    assert_eq!(shop.get(&path, &screen).await.status, 401, "a screen closes nothing");
}

#[tokio::test]
async fn a_token_is_entered_by_a_form_and_its_cookie_is_kept_from_scripts_and_from_other_sites() {
    let shop = Shop::open(false, false).await;
    let (token, _) = added(&*shop.store, Role::Technician).await;
    let body = format!("token={token}&purpose=work");
    let told = shop.post("/board/enter", "", &body).await;
    let cookie = &told.headers["set-cookie"];
    assert!(cookie.starts_with("fettler-board=") && !cookie.contains("Secure"), "{cookie}");
    assert!(cookie.ends_with("; Path=/; HttpOnly; SameSite=Strict; Max-Age=43200"), "{cookie}");
    assert_eq!((told.status, told.headers["location"].as_str()), (303, "/board"));
    assert!(!told.text().contains(&token));
    let behind_a_proxy = [("x-forwarded-proto", "https"), ("origin", "https://shop.example")];
    let told = shop.post_from("/board/enter", &behind_a_proxy, &body).await;
    assert!(told.headers["set-cookie"].starts_with("__Host-fettler-board="), "{:?}", told.headers);
    assert!(told.headers["set-cookie"].ends_with("; Secure"));
    assert_eq!(shop.get(&format!("/board?token={token}"), "").await.status, 401, "no token by an address");
    let foreign = [("origin", "http://evil.example")];
    assert_eq!(shop.post_from("/board/enter", &foreign, &body).await.status, 403);
    for (wrong, why) in [("", "not known"), ("fettler_no", "not known"), ("a.b.c", "not known")] {
        let told = shop.post("/board/enter", "", &format!("token={wrong}")).await;
        assert!(told.status == 401 && !told.headers.contains_key("set-cookie"), "{wrong}");
        assert!(told.text().contains("Not entered") && told.text().contains(why), "{}", told.text());
    }
    let (reporter, _) = added(&*shop.store, Role::Reporter).await;
    let told = shop.post("/board/enter", "", &format!("token={reporter}")).await;
    assert!(told.status == 401 && told.text().contains("needs a token with the role"), "{}", told.text());
}

#[tokio::test]
async fn a_session_ends_with_its_time_with_its_token_and_by_leaving() {
    let shop = Shop::open(false, false).await;
    let (token, number) = added(&*shop.store, Role::Technician).await;
    let one = shop.enter(&token, "work").await;
    let other = shop.enter(&token, "work").await;
    assert_eq!(shop.get("/board", &one).await.status, 200);
    let mark = hidden(&shop.get("/board", &one).await.text(), "mark");
    assert_eq!(
        shop.post("/board/leave", &other, &format!("mark={mark}")).await.status,
        403,
        "another's mark"
    );
    let left = shop.post("/board/leave", &one, &format!("mark={mark}")).await;
    assert!(left.status == 200 && left.headers["set-cookie"].contains("Max-Age=0"), "{:?}", left.headers);
    assert_eq!(shop.get("/board", &one).await.status, 401);
    assert_eq!(shop.get("/board", &other).await.status, 200, "one tablet leaves, the other stays");
    shop.store.revoke_token(&caller(), number).await.unwrap();
    // What is remembered of a token is believed for a second of the monotonic clock, and no longer.
    let begun = std::time::Instant::now();
    while shop.get("/board", &other).await.status == 200 {
        assert!(begun.elapsed().as_secs() < 5, "a token that was taken back still shows the board");
    }
    let ended = shop.get("/board", &other).await;
    assert!(ended.text().contains("has ended, or its token was taken back"), "{}", ended.text());

    let tablet = shop.tablet().await;
    let hours = |hours: i64| Ts(NOW.0 + hours * 3_600_000_000);
    shop.server.clock.move_to(Ts(hours(12).0 - 1));
    assert_eq!(shop.get("/board", &tablet).await.status, 200);
    shop.server.clock.move_to(hours(12));
    assert_eq!(shop.get("/board", &tablet).await.status, 401, "half a day is over");
}

#[tokio::test]
async fn a_closing_is_recorded_as_typed_and_twice_sent_it_is_one() {
    let shop = Shop::open(false, false).await;
    let tablet = shop.tablet().await;
    let (path, body) = shop.typed(&tablet, WELL).await;
    let (first, second) = tokio::join!(shop.post(&path, &tablet, &body), shop.post(&path, &tablet, &body));
    for told in [&first, &second] {
        let text = told.text();
        assert_eq!(told.status, 200, "{text}");
        for what in ["Closed: Empty the bowl", "due 29 Oct", "27 days late", "half full"] {
            assert!(text.contains(what), "{what}: {text}");
        }
        assert!(text.contains("Next") && text.contains("Wed 23 Dec"), "{text}");
    }
    let orders = shop.call("OrderService/ListOrders", r#"{"state": "ORDER_STATE_CLOSED"}"#).await;
    assert_eq!(orders["orders"].as_array().unwrap().len(), 1, "{orders}");
    let number = path.rsplit('/').next().unwrap();
    let order = shop.call("OrderService/GetOrder", &format!(r#"{{"order": "{number}"}}"#)).await;
    let closing = &order["order"]["closing"];
    assert_eq!((&closing["doneBy"], &closing["asFound"]), (&"Ada Kern".into(), &"AS_FOUND_WORN".into()));
    assert_eq!(closing["readings"][0]["value"], "6.1");
    assert_eq!(closing["cautionsConfirmed"], true);
    let told = shop.get(&path, &tablet).await;
    assert!(told.status == 200 && told.text().contains("was closed") && told.text().contains("Ada Kern"));
}

#[tokio::test]
async fn an_order_says_that_its_machine_must_not_start_and_what_to_do_where_a_part_failed() {
    let shop = Shop::open(false, false).await;
    let tablet = shop.tablet().await;
    let bowl = format!("/board/order/{}", shop.order().await);
    let raise = r#"{"machine": "L-02", "title": "Look at the guard", "by": "Jo Lind", "hazard": true}"#;
    let raised = shop.call("OrderService/RaiseOrder", raise).await;
    let path = format!("/board/order/{}", raised["item"]["order"].as_str().unwrap());
    let text = shop.get(&path, &tablet).await.text();
    let (_, said) = text.split_once("This machine must not start").unwrap_or_else(|| panic!("{text}"));
    assert!(said.contains("The interlock failed.") && said.contains("Close order"), "{text}");
    let bowl = shop.get(&bowl, &tablet).await.text();
    assert!(bowl.contains("Empty the bowl") && !bowl.contains("must not start"), "{bowl}");
    let board = shop.get("/board", &tablet).await.text();
    assert!(board.contains("Hazard. "), "{board}");
    let wall = shop.get("/board?wall=1", &tablet).await.text();
    assert!(wall.contains("Hazard. ") && wall.contains("licensed practice come before all this"), "{wall}");

    let (mark, request) = (hidden(&text, "mark"), hidden(&text, "request"));
    let body = format!("mark={mark}&request={request}&by=Ada+Kern");
    let back = shop.post(&path, &tablet, &format!("{body}&done=2026-11-25T03:00%2B01:00")).await;
    assert_eq!(back.status, 422, "how it was found is missing");
    let text = back.text();
    assert!(text.contains("name=\"done\" type=\"text\" value=\"2026-11-25T03:00+01:00\""), "{text}");
    let told = shop.post(&path, &tablet, &format!("{body}&found=failed")).await;
    let text = told.text();
    assert_eq!(told.status, 200, "{text}");
    assert!(text.contains("L-02 must not start until somebody competent has looked"), "{text}");
}

#[tokio::test]
async fn what_is_wrong_is_told_at_its_field_and_nothing_typed_is_lost() {
    let shop = Shop::open(false, false).await;
    let tablet = shop.tablet().await;
    let (path, body) =
        shop.typed(&tablet, "&read.line-air=61&note=a+%3Cb%3E&used.1.quantity=2&done=2026-11-26T10:00").await;
    let text = {
        let told = shop.post(&path, &tablet, &body).await;
        assert_eq!(told.status, 422);
        told.text()
    };
    for what in ["Say whether they were shown", "Say how it was found", "Say who did it", "Say which item"] {
        assert_eq!(text.matches(what).count(), 2, "{what}, above and beside: {text}");
    }
    assert!(text.contains("value=\"61\"") && text.contains("a &lt;b&gt;</textarea>"), "{text}");
    assert!(
        text.contains("value=\"2026-11-26T10:00\"") && text.contains("name=\"used.1.quantity\""),
        "{text}"
    );
    assert!(body.contains(&format!("&request={}&", hidden(&text, "request"))), "the same closing goes on");
    let more = "&heeded=no&found=good&by=Ada+Kern&read.line-air=61&done=2026-11-26T10:00&used.1.item=oil&used.1.quantity=x";
    let (path, body) = shop.typed(&tablet, more).await;
    let text = shop.post(&path, &tablet, &body).await.text();
    assert!(
        text.contains(" in the future")
            && text.contains("name=\"used.1.quantity\" type=\"text\" value=\"x\""),
        "{text}"
    );
    let more = "&heeded=no&found=good&by=Ada+Kern&read.line-air=61";
    let (path, body) = shop.typed(&tablet, more).await;
    let told = shop.post(&path, &tablet, &body).await;
    assert!(told.status == 422 && told.text().contains("“61” is right: I read it again"), "{}", told.text());
    let told = shop.post(&path, &tablet, &format!("{body}&so.read.line-air=61")).await;
    assert!(told.status == 200 && told.text().contains("autions not confirmed"), "{}", told.text());
}

#[tokio::test]
async fn each_thing_that_is_asked_back_has_a_tick_of_its_own_and_none_before() {
    let shop = Shop::open(false, false).await;
    let tablet = shop.tablet().await;
    let well = "&heeded=yes&found=good&by=Ada+Kern&read.line-air=61&done=2026-01-05T10:00";
    let (path, body) = shop.typed(&tablet, well).await;
    assert!(!shop.get(&path, &tablet).await.text().contains("name=\"so."));
    let oil = |item: &str| format!("{body}&used.1.item={item}&used.1.quantity=2&used.1.unit=L");
    let ticks = async |body: &str| {
        let told = shop.post(&path, &tablet, body).await;
        assert_eq!(told.status, 422, "{}", told.text());
        let text = told.text();
        let tick = |part: &str| {
            Some((part.split('"').next()?.to_owned(), part.split('>').next()?.contains("checked")))
        };
        let at = |what: &str| text.find(what).unwrap_or(usize::MAX);
        assert!(at("name=\"used.1.unit\"") < at("name=\"so.used.1.item\""), "the tick stands last: {text}");
        text.split("name=\"so.").skip(1).filter_map(tick).collect::<Vec<_>>()
    };
    let of =
        |all: &[(&str, bool)]| all.iter().map(|(of, is_so)| ((*of).to_owned(), *is_so)).collect::<Vec<_>>();
    let slips = oil("way+oyl");
    assert_eq!(ticks(&slips).await, of(&[("read.line-air", false), ("done", false), ("used.1.item", false)]));
    let done = "&so.done=2026-01-05T10:00";
    let time_alone = ticks(&format!("{slips}{done}")).await;
    assert_eq!(time_alone, of(&[("read.line-air", false), ("done", true), ("used.1.item", false)]));
    // A tick is for what stood there: what is typed anew is questioned anew.
    let all = format!("{done}&so.read.line-air=61&so.used.1.item=way+oyl");
    let other = ticks(&format!("{}{all}", oil("way+ole"))).await;
    assert_eq!(other, of(&[("read.line-air", true), ("done", true), ("used.1.item", false)]));
    let told = shop.post(&path, &tablet, &format!("{slips}{all}")).await;
    assert_eq!(told.status, 200, "{}", told.text());
}

#[tokio::test]
async fn a_tick_says_that_a_reading_in_a_cabinet_has_no_record() {
    let shop = Shop::open(false, false).await;
    let tablet = shop.tablet().await;
    let cabinet = r#"{"shop": {"site": {"key": "north"}, "machines": [{"tag": "L-03", "lastDoneNow": true,
      "points": [{"key": "warm", "unit": "Cel", "possibleFrom": "0", "possibleTo": "60", "takenBy": "POINT_TAKER_LICENSED_ELECTRICIAN"}],
      "tasks": [{"key": "cabinet", "title": "Look into the cabinet", "readings": ["warm"],
                 "rule": {"clauses": [{"calendar": {"every": 4, "unit": "CALENDAR_UNIT_WEEK"}}]}}]}]}}"#;
    shop.call("ShopService/LoadShop", cabinet).await;
    let open = shop.call("OrderService/ListOrders", r#"{"machine": "L-03"}"#).await;
    let path = format!("/board/order/{}", open["orders"][0]["number"].as_str().unwrap());
    let page = shop.get(&path, &tablet).await.text();
    assert!(page.contains("Number of the electrician’s record") && !page.contains("name=\"so."), "{page}");
    let (mark, request) = (hidden(&page, "mark"), hidden(&page, "request"));
    let typed = format!("mark={mark}&request={request}&found=good&by=Ada+Kern&read.warm=");
    let alone = "is right, and was read without an electrician’s record: it is recorded so";
    for (more, label) in [
        // A number alone, a number that is odd besides, and one that is odd on record.
        ("23", Some(alone)),
        ("230", Some(alone)),
        ("230&certificate=E-12", Some("“230” is right: I read it again")),
        // A yes to a number is none to a record that is gone since, nor one to a missing record to another number.
        ("230&so.read.warm=230+by+E-12", Some(alone)),
        ("32&so.read.warm=23", Some(alone)),
        ("23&so.read.warm=23", None),
    ] {
        let told = shop.post(&path, &tablet, &format!("{typed}{more}")).await;
        let text = told.text();
        let Some(label) = label else {
            assert!(told.status == 200 && text.contains("without a licensed electrician"), "{text}");
            continue;
        };
        let (_, tick) = text.split_once("name=\"so.read.warm\"").unwrap_or_else(|| panic!("{more}: {text}"));
        let tick = tick.split("</label>").next().unwrap();
        assert!(told.status == 422 && tick.contains(label) && !tick.contains(" checked"), "{more}: {tick}");
        assert_eq!(text.contains("only a licensed electrician opens"), label == alone, "{more}: {text}");
    }
}

#[tokio::test]
async fn what_was_typed_outlives_a_session_that_ended() {
    let shop = Shop::open(false, false).await;
    let tablet = shop.tablet().await;
    let (path, body) = shop.typed(&tablet, &format!("{WELL}&pin=271828")).await;
    shop.server.clock.move_to(Ts(NOW.0 + 12 * 3_600_000_000));
    let told = shop.post(&path, &tablet, &body).await;
    let text = told.text();
    assert!(told.status == 401 && text.contains("what you typed is kept"), "{text}");
    let (kept, order) = (hidden(&text, "kept").replace("&amp;", "&"), hidden(&text, "order"));
    assert!(!kept.contains("271828") && !kept.contains("mark="), "{kept}");
    let (token, _) = added(&*shop.store, Role::Technician).await;
    let kept: String = form_urlencoded::byte_serialize(kept.as_bytes()).collect();
    let told =
        shop.post("/board/enter", "", &format!("token={token}&purpose=work&order={order}&kept={kept}")).await;
    let text = told.text();
    assert!(text.contains("half full</textarea>") && text.contains("value=\"6.1\""), "{text}");
    let cookie = told.headers["set-cookie"].split(';').next().unwrap().to_owned();
    let body =
        format!("mark={}&request={}&cautious=1{WELL}", hidden(&text, "mark"), hidden(&text, "request"));
    assert_eq!(shop.post(&path, &cookie, &body).await.status, 200);
}

#[tokio::test]
async fn an_order_closed_meanwhile_says_so_and_a_form_of_others_is_not_taken() {
    let shop = Shop::open(false, false).await;
    let tablet = shop.tablet().await;
    let ticked = format!("{WELL}&used.1.item=way+oyl&used.1.quantity=2&so.used.1.item=way+oyl&so.done=empty");
    let (path, body) = shop.typed(&tablet, &ticked).await;
    let foreign = [("cookie", tablet.as_str()), ("sec-fetch-site", "cross-site")];
    assert_eq!(shop.post_from(&path, &foreign, &body).await.status, 403);
    let unmarked = body.replacen("mark=", "mark=x", 1);
    let told = shop.post(&path, &tablet, &unmarked).await;
    assert!(told.status == 422 && told.text().contains("of an earlier session"), "{}", told.text());
    let number = path.rsplit('/').next().unwrap().parse().unwrap();
    let ask = v1::CloseOrderRequest { order: number, done_by: "Jo Lind".into(), ..Default::default() };
    OrderServiceClient::new(shop.server.wire().await).close_order(ask).await.unwrap();
    let told = shop.post(&path, &tablet, &body).await;
    let text = told.text();
    assert_eq!(told.status, 409, "{text}");
    for what in ["was closed meanwhile", "by Jo Lind", "Nothing of what you typed was recorded", "half full"]
    {
        assert!(text.contains(what), "{what}: {text}");
    }
    assert!(text.contains("way oyl") && !text.contains("so.used") && !text.contains("so.done"), "{text}");
    assert_eq!(shop.get("/board/order/4711", &tablet).await.status, 404);
}

#[tokio::test]
async fn a_pin_is_asked_for_where_the_site_does_and_is_never_shown_again() {
    let shop = Shop::open(true, false).await;
    let tablet = shop.tablet().await;
    let (path, body) = shop.typed(&tablet, &format!("{WELL}&pin=123456")).await;
    assert!(shop.get(&path, &tablet).await.text().contains("Their PIN"));
    let told = shop.post(&path, &tablet, &body).await;
    let text = told.text();
    assert!(told.status == 422 && text.contains("A PIN came for the person"), "{text}");
    let bearer = format!("Bearer {}", shop.server.token);
    let headers = [
        ("content-type", "application/json"),
        ("authorization", bearer.as_str()),
        ("fettler-new-pin", "271828"),
    ];
    let path_of_pin = "/fettler.v1.PersonService/SetPin";
    let told = ask(shop.server.http, "POST", path_of_pin, &headers, br#"{"name": "Ada Kern"}"#).await;
    assert_eq!(told.status, 200, "{}", told.text());
    let told = shop.post(&path, &tablet, &body).await;
    let text = told.text();
    assert!(
        told.status == 422 && text.contains("The PIN is not that of the person in “Who did it”"),
        "{text}"
    );
    assert!(text.contains("href=\"#pin\"") && !text.contains("123456"), "{text}");
    let told = shop.post(&path, &tablet, &body.replace("123456", "")).await;
    assert!(told.status == 422 && told.text().contains("asks for their PIN"), "{}", told.text());
    let told = shop.post(&path, &tablet, &body.replace("123456", "271828")).await;
    assert_eq!(told.status, 200, "{}", told.text());
}

#[tokio::test]
async fn a_page_of_very_many_lines_is_bounded_and_goes_on() {
    let shop = Shop::open(false, true).await;
    let mut tasks = String::new();
    let rule = r#""rule": {"clauses": [{"calendar": {"every": 1, "unit": "CALENDAR_UNIT_DAY"}}]}"#;
    for task in 0..100 {
        write!(tasks, r#"{{"key": "t{task}", {rule}}},"#).unwrap();
    }
    let tasks = tasks.trim_end_matches(',');
    let sheet = format!(r#""sheets": [{{"key": "care", "title": "Care", "tasks": [{tasks}]}}]"#);
    for ten in 0..5 {
        let machines: Vec<String> = (0..10)
            .map(|of| format!(r#"{{"tag": "M-{ten}{of}", "sheets": ["care"], "lastDoneNow": true}}"#))
            .collect();
        let text = format!(
            r#"{{"shop": {{"site": {{"key": "north"}}, {sheet}, "machines": [{}]}}}}"#,
            machines.join(",")
        );
        shop.call("ShopService/LoadShop", &text).await;
    }
    shop.server.clock.move_to(Ts(NOW.0 + 9 * 86_400_000_000));
    let told = shop.get("/board", "").await;
    let text = told.text();
    assert_eq!(text.matches("<li class=\"job\">").count(), 100);
    assert!(
        text.contains("More than 100 orders are due") && told.body.len() < 200_000,
        "{}",
        told.body.len()
    );
    let next = text.split("href=\"").find(|part| part.starts_with("/board?from=")).unwrap();
    let next = next.split('"').next().unwrap().replace("&amp;", "&");
    let text = shop.get(&next, "").await.text();
    assert_eq!(text.matches("<li class=\"job\">").count(), 100);
    assert!(text.contains("Must not start") && text.contains("The list goes on: 100 orders"), "{text}");
    let wall = shop.get("/board?wall=1", "").await;
    assert!(
        wall.body.len() < 30_000 && wall.headers["refresh"] == "20; url=/board?wall=2",
        "{}",
        wall.body.len()
    );
}
