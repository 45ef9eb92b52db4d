//! Clauses that follow a model, through the wire: declared and shown back, refused field by field, and told with the inputs
//! and the source that they rest on.

mod support;

use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_proto::v1::due_service_client::DueServiceClient;
use fettler_proto::v1::reading_service_client::ReadingServiceClient;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use support::{NOW, Server, Wire};
use tonic::Code;
use tonic_types::StatusExt as _;

fn text(text: &str) -> String {
    text.to_owned()
}

fn level() -> v1::LevelClause {
    v1::LevelClause {
        meter: text("operating"),
        point: text("oil"),
        low_l: text("0.5"),
        high_l: text("2.7"),
        doses_cm3: text("8x0.03+6x0.06+4x0.1"),
        cycle_min: text("20"),
        reserve_l: text("0.2"),
        pack_l: text("1"),
        oil: text("CGLP 68"),
        ..Default::default()
    }
}

fn fill() -> v1::FillClause {
    v1::FillClause {
        meter: text("operating"),
        flow_l_min: text("36"),
        line_bar: text("6"),
        dew_point_c: text("25"),
        ambient_c: vec![text("20")],
        bowl_ml: text("30"),
        ..Default::default()
    }
}

fn task(key: &str, counts: v1::clause::Counts) -> v1::TaskCard {
    let clauses = vec![v1::Clause { counts: Some(counts) }];
    let rule = v1::IntervalRule { clauses, ..Default::default() };
    v1::TaskCard { key: text(key), title: text(key), rule: Some(rule), ..Default::default() }
}

fn shop(level: v1::LevelClause, fill: v1::FillClause) -> v1::Shop {
    let machine = v1::MachineCard {
        tag: text("L-03"),
        meters: vec![v1::MeterCard {
            key: text("operating"),
            kind: v1::MeterKind::Operating.into(),
            ..Default::default()
        }],
        points: vec![v1::TestPoint {
            key: text("oil"),
            title: text("way oil level"),
            fluid: text("way oil CGLP 68"),
            unit: text("L"),
            ..Default::default()
        }],
        tasks: vec![
            task("way-oil", v1::clause::Counts::Level(level)),
            task("drain", v1::clause::Counts::Fill(fill)),
        ],
        last_done_now: true,
        ..Default::default()
    };
    let site = v1::Site { key: text("north"), zone: text("Europe/Berlin"), ..Default::default() };
    let sources = vec![v1::Source { name: text("erp"), rank: 1, feeds: v1::MeterKind::Operating.into() }];
    v1::Shop {
        site: Some(site),
        people: vec![text("Ada Kern")],
        sources,
        machines: vec![machine],
        ..Default::default()
    }
}

async fn load(wire: &Wire, shop: v1::Shop) -> Result<v1::LoadShopResponse, tonic::Status> {
    let ask = v1::LoadShopRequest { shop: Some(shop), ..Default::default() };
    ShopServiceClient::new(wire.clone()).load_shop(ask).await.map(tonic::Response::into_inner)
}

async fn refused(wire: &Wire, shop: v1::Shop) -> Vec<(String, String)> {
    let status = load(wire, shop).await.expect_err("it is refused");
    assert_eq!(status.code(), Code::InvalidArgument);
    let details = status.get_details_bad_request().expect("fields");
    details.field_violations.into_iter().map(|v| (v.field, v.description)).collect()
}

fn stamp(at: Ts) -> prost_types::Timestamp {
    prost_types::Timestamp { seconds: at.0.div_euclid(1_000_000), nanos: 0 }
}

async fn explain(wire: &Wire, task: &str) -> v1::DueItem {
    let ask = v1::ExplainOrderRequest { machine: text("L-03"), task: text(task), ..Default::default() };
    let answer = DueServiceClient::new(wire.clone()).explain_order(ask).await.expect("why").into_inner();
    assert!(answer.row_agrees, "the stored row is the fresh one");
    answer.item.expect("an item")
}

#[tokio::test]
async fn models_are_declared_and_shown_back() {
    let (_server, wire, _folder) = Server::on_a_file().await;
    load(&wire, shop(level(), fill())).await.expect("a shop");
    let again = load(&wire, shop(level(), fill())).await.expect("the same shop");
    assert_eq!(again.changes, [], "loading twice changes nothing");
    let ask = v1::GetShopRequest::default();
    let shown = ShopServiceClient::new(wire.clone()).get_shop(ask).await.expect("a shop").into_inner();
    let tasks = shown.shop.expect("a shop").machines.remove(0).tasks;
    let counts = |key: &str| {
        let task = tasks.iter().find(|task| task.key == key).expect("the task");
        task.rule.as_ref().expect("a rule").clauses[0].counts.clone()
    };
    assert_eq!(counts("way-oil"), Some(v1::clause::Counts::Level(level())));
    assert_eq!(counts("drain"), Some(v1::clause::Counts::Fill(fill())));
}

/// The shop with a filter, a coolant, a neat oil and an idle flow beside the two.
fn with_readings() -> v1::Shop {
    let mut shop = shop(level(), fill());
    let machine = &mut shop.machines[0];
    let point = |key: &str, unit: &str| v1::TestPoint {
        key: text(key),
        title: text(key),
        unit: text(unit),
        ..Default::default()
    };
    machine.points.extend([
        point("drop", "bar{diff}"),
        point("brix", "{Brix}"),
        point("water", "%"),
        point("idle", "L/min{ANR}"),
    ]);
    machine
        .tasks
        .extend(said().into_iter().zip(["filter", "coolant", "oil", "leaks"]).map(|(c, key)| task(key, c)));
    shop
}

fn said() -> [v1::clause::Counts; 4] {
    [
        v1::clause::Counts::Element(v1::ElementClause {
            meter: text("operating"),
            point: text("drop"),
            change_after_months: 6,
            limits: text("supplier_high_drop"),
            ..Default::default()
        }),
        v1::clause::Counts::Coolant(v1::CoolantClause {
            strength: text("brix"),
            refractometer_factor: text("1.5"),
            wanted_percent: text("8"),
            sump_l: text("200"),
            ..Default::default()
        }),
        v1::clause::Counts::NeatOil(v1::NeatOilClause { water: text("water"), ..Default::default() }),
        v1::clause::Counts::IdleAir(v1::IdleAirClause { point: text("idle"), baseline_l_min: text("36") }),
    ]
}

#[tokio::test]
async fn what_waits_for_readings_is_declared_and_due_with_what_to_do() {
    let (_server, wire, _folder) = Server::on_a_file().await;
    load(&wire, with_readings()).await.expect("a shop");
    assert_eq!(load(&wire, with_readings()).await.expect("the same shop").changes, []);
    let shown = ShopServiceClient::new(wire.clone()).get_shop(v1::GetShopRequest::default()).await;
    let tasks = shown.expect("a shop").into_inner().shop.expect("a shop").machines.remove(0).tasks;
    for (counts, key) in said().into_iter().zip(["filter", "coolant", "oil", "leaks"]) {
        let task = tasks.iter().find(|task| task.key == key).expect("the task");
        assert_eq!(task.rule.as_ref().expect("a rule").clauses[0].counts, Some(counts));
    }
    let thin = v1::ReadingSaid {
        machine: text("L-03"),
        point: text("brix"),
        value: text("4"),
        at: Some(stamp(NOW)),
        by: text("Ada Kern"),
        ..Default::default()
    };
    let ask = v1::TakeReadingsRequest { readings: vec![thin], ..Default::default() };
    let taken = ReadingServiceClient::new(wire.clone()).take_readings(ask).await.expect("taken").into_inner();
    assert_eq!(taken.taken.len(), 1);
    let item = explain(&wire, "coolant").await;
    assert_eq!((item.kind(), item.due), (v1::DueKind::Crossed, Some(stamp(NOW))));
    let clause = &item.clauses[0];
    assert!(clause.fault.starts_with("6 % strong, too weak for 8 %"), "{}", clause.fault);
    assert_eq!(
        clause.acts,
        [
            "drain 40 L and add as much of a 16 % mix, 6.4 L of concentrate in it; or add 50 L of that mix where there is room"
        ]
    );
    assert!(clause.source.contains("TRGS 611") && clause.source.contains("hse.gov.uk"), "{}", clause.source);
    assert!(item.cautions.iter().any(|caution| caution.starts_with("keep coolant off the skin")));
}

#[tokio::test]
async fn what_a_reading_is_compared_with_must_be_there() {
    let (_server, wire, _folder) = Server::on_a_file().await;
    let wrong = |edit: fn(&mut [v1::TaskCard])| {
        let mut shop = with_readings();
        edit(&mut shop.machines[0].tasks);
        let wire = wire.clone();
        async move { refused(&wire, shop).await.remove(0) }
    };
    let coolant = "shop.machines[0].tasks[3].rule.clauses[0].coolant";
    let (field, told) = wrong(|tasks| {
        let counts = v1::CoolantClause { strength: text("brix"), ..Default::default() };
        tasks[3] = task("coolant", v1::clause::Counts::Coolant(counts));
    })
    .await;
    assert_eq!(field, format!("{coolant}.wanted_percent"));
    assert_eq!(told, "is missing; `strength` is compared with it");
    let (field, told) = wrong(|tasks| {
        let Some(v1::clause::Counts::Coolant(mut counts)) = said().into_iter().nth(1) else { return };
        counts.refractometer_factor = String::new();
        tasks[3] = task("coolant", v1::clause::Counts::Coolant(counts));
    })
    .await;
    assert_eq!(field, format!("{coolant}.strength"));
    assert!(told.contains("give refractometer_factor, which is the product's own"), "{told}");
    let (field, told) = wrong(|tasks| {
        let counts = v1::ElementClause { point: text("drop"), limits: text("low"), ..Default::default() };
        tasks[2] = task("filter", v1::clause::Counts::Element(counts));
    })
    .await;
    assert_eq!(field, "shop.machines[0].tasks[2].rule.clauses[0].element.limits");
    assert_eq!(told, "`low` is no edition of the limits; give supplier_low_drop or supplier_high_drop");
    let (field, told) = wrong(|tasks| {
        let counts = v1::IdleAirClause { point: text("idle"), ..Default::default() };
        tasks[5] = task("leaks", v1::clause::Counts::IdleAir(counts));
    })
    .await;
    assert_eq!(field, "shop.machines[0].tasks[5].rule.clauses[0].idle_air.baseline_l_min");
    assert_eq!(told, "is missing; give a plain decimal number such as 6.5");
}

#[tokio::test]
async fn what_cannot_be_is_refused_with_its_field() {
    let (_server, wire, _folder) = Server::on_a_file().await;
    let of = "shop.machines[0].tasks[0].rule.clauses[0].level";
    let wrong = refused(
        &wire,
        shop(
            v1::LevelClause {
                high_l: text("much"),
                doses_cm3: String::new(),
                cycle_count: text("5"),
                ..level()
            },
            v1::FillClause { water_class: 4, ambient_c: vec![text("cold")], ..fill() },
        ),
    )
    .await;
    let fields: Vec<&str> = wrong.iter().map(|(field, _)| field.as_str()).collect();
    let fill_field = "shop.machines[0].tasks[1].rule.clauses[0].fill";
    assert_eq!(
        fields,
        [
            format!("{of}.high_l"),
            format!("{of}.doses_cm3"),
            format!("{of}.cycle_min"),
            format!("{fill_field}.dew_point_c"),
            format!("{fill_field}.ambient_c[0]")
        ]
    );
    let wrong = refused(
        &wire,
        shop(
            v1::LevelClause { high_l: text("0.4"), ..level() },
            v1::FillClause { ambient_c: vec![text("20"); 3], ..fill() },
        ),
    )
    .await;
    assert_eq!(wrong[0].0, format!("{of}.high_l"));
    assert_eq!(wrong[0].1, "`0.4` is not above the lower mark, `0.5`; give a higher one");
    assert_eq!(wrong[1].0, format!("{fill_field}.ambient_c"));
    let oil = refused(&wire, shop(v1::LevelClause { oil: text("HLP 68"), ..level() }, fill())).await;
    assert_eq!(oil[0].0, format!("{of}.oil"));
    assert!(oil[0].1.contains("the same viscosity grade and another type; ask the supplier"), "{}", oil[0].1);
    let unit = v1::LevelClause { cycle_min: String::new(), cycle_count: text("50"), ..level() };
    let wrong = refused(&wire, shop(unit, fill())).await;
    assert_eq!(wrong[0].0, format!("{of}.meter"));
}

#[tokio::test]
async fn the_list_tells_what_a_model_rests_on() {
    let (_server, wire, _folder) = Server::on_a_file().await;
    load(&wire, shop(level(), fill())).await.expect("a shop");
    let item = explain(&wire, "way-oil").await;
    let clause = &item.clauses[0];
    assert_eq!(clause.clause, "level oil reaching 0.2 L above its lower mark");
    assert!(clause.inputs.contains(&text("a stroke of 8x0.03+6x0.06+4x0.1 cm³")), "{:?}", clause.inputs);
    assert!(clause.source.ends_with("The builder's manual overrides it"), "{}", clause.source);
    assert_eq!(
        clause.acts,
        ["at its due level refill about 2 L, to its upper mark: 2 whole packs of 1 L fit in"]
    );
    assert_eq!(clause.fault, "");
    assert!(item.cautions.iter().any(|caution| caution.starts_with("switch off, lock out and tag")));
    let low = v1::ReadingSaid {
        machine: text("L-03"),
        point: text("oil"),
        value: text("0.6"),
        at: Some(stamp(NOW)),
        by: text("Ada Kern"),
        ..Default::default()
    };
    let ask = v1::TakeReadingsRequest { readings: vec![low], ..Default::default() };
    ReadingServiceClient::new(wire.clone()).take_readings(ask).await.expect("taken");
    let item = explain(&wire, "way-oil").await;
    assert_eq!((item.kind(), item.due), (v1::DueKind::Crossed, Some(stamp(NOW))));
    assert!(item.why.contains("oil 0.6 L, read ") && item.why.contains(": it is reached"), "{}", item.why);
    let drain = explain(&wire, "drain").await;
    assert_eq!(drain.clauses[0].clause, "fill reaching 50 % of its bowl, at the latest every day");
}
