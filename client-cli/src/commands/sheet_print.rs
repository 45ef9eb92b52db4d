//! `sheet print` and `sheet labels`: pages of HTML for paper, or PDFs of them.

use super::{due, instant, machine, round};
use crate::{
    args::{
        OutputForm,
        sheet::{PageArgs, SheetLabelsArgs, SheetPrintArgs},
    },
    chromium::Chromium,
    clock,
    declared::Declared,
    exit::{Answer, Failure},
    proving::NewFile,
    render::{
        labels::{self, Cell, Label},
        qr::{self, Leads},
        round as rounds,
        sheet_page::{self, Paper, Part},
        words,
    },
    session::Session,
    times::{self, Teller},
};
use fettler_proto::v1 as pb;
use std::{collections::BTreeMap, path::PathBuf};

/// Where a page goes, known to be free before anything is asked.
struct Places {
    html: Option<(PathBuf, NewFile)>,
    pdf: Option<(PathBuf, NewFile, Chromium)>,
}

impl Places {
    fn begin(session: &Session, args: &PageArgs) -> Result<Places, Failure> {
        if session.settings.output != OutputForm::Table {
            return Err(Failure::usage("a page for paper is neither JSON nor CSV; leave --output out")
                .with_hint("`fettler due` and `fettler round --list` give the same as JSON and CSV"));
        }
        let begin = |path: &PathBuf| Ok::<_, Failure>((path.clone(), NewFile::begin(path)?));
        let html = args.to.as_ref().map(begin).transpose()?;
        let pdf = match &args.pdf {
            None => None,
            Some(path) => {
                let chromium = Chromium::find()?;
                let (path, file) = begin(path)?;
                Some((path, file, chromium))
            }
        };
        Ok(Places { html, pdf })
    }

    async fn put(self, session: &Session, page: String) -> Result<Answer, Failure> {
        if self.html.is_none() && self.pdf.is_none() {
            session.out.data(&page)?;
        }
        if let Some((path, mut file)) = self.html {
            file.write(&page)?;
            file.end()?;
            session.out.note(&format!("{} is written\n", path.display()));
        }
        if let Some((path, mut file, chromium)) = self.pdf {
            file.write_bytes(&chromium.print(page).await?)?;
            file.end()?;
            session.out.note(&format!("{} is written\n", path.display()));
        }
        Ok(Answer::Done)
    }
}

/// Prints work on paper.
pub(super) async fn print(session: &Session, args: SheetPrintArgs) -> Result<Answer, Failure> {
    let leads = Leads::to(args.page.address.as_deref(), session.site())?;
    let places = Places::begin(session, &args.page)?;
    let declared = declared(session).await?;
    let paper = if args.round {
        of_round(session, &args, &declared, &leads).await?
    } else if args.due {
        of_due(session, &args, &declared, &leads).await?
    } else {
        of_machines(session, &args, &declared, &leads).await?
    };
    let page = sheet_page::page(&paper);
    places.put(session, page).await
}

/// The shop as it is declared.
pub(super) async fn declared(session: &Session) -> Result<Declared, Failure> {
    let request = pb::GetShopRequest { site: session.site() };
    let answer =
        session.ask(&request, |link, request| async move { link.shop().get_shop(request).await }).await?;
    Ok(Declared(answer.shop.unwrap_or_default()))
}

/// What the site is called at the head of a page.
fn site_name(declared: &Declared) -> String {
    let site = declared.0.site.clone().unwrap_or_default();
    if site.name.is_empty() { site.key } else { site.name }
}

fn code(leads: &Leads, tag: &str) -> Result<String, Failure> {
    qr::drawing(&leads.of(tag))
}

/// Who printed when, so that an old sheet is seen to be old.
fn printed(teller: Teller) -> String {
    let now = teller.instant(Some(&times::to_wire(clock::now()))).unwrap_or_default();
    format!("printed {now}, {}", teller.zone_name())
}

async fn of_round<'d>(
    session: &Session,
    args: &SheetPrintArgs,
    declared: &'d Declared,
    leads: &Leads,
) -> Result<Paper<'d>, Failure> {
    let head = round::head(session, instant(session, "--at", args.at.as_deref()).await?).await?;
    let shift = head.round.clone().unwrap_or_default();
    let request = pb::ListChecksRequest {
        site: session.site(),
        at: shift.shift_start,
        area: args.area.clone().unwrap_or_default(),
        only_open: true,
        ..Default::default()
    };
    let list = round::gather(session, request).await?;
    let teller = Teller::new(times::zone(&head.zone)?, clock::now());
    let count = |number: i32| usize::try_from(number).unwrap_or(0);
    let told = rounds::line(&shift, count(head.done), count(head.due), teller);
    let mut lines: Vec<String> = told.lines().map(str::to_owned).collect();
    let mut parts = Vec::new();
    for machine in list.machines.into_iter().filter(|machine| !machine.checks.is_empty()) {
        parts.push(Part {
            code: code(leads, &machine.machine)?,
            forbidden: (machine.state() == pb::MachineState::Forbidden).then_some(machine.reason),
            tag: machine.machine,
            name: machine.name,
            area: machine.area,
            checks: machine.checks,
            orders: Vec::new(),
        });
    }
    let open: usize = parts.iter().map(|part| part.checks.len()).sum();
    let of = words::count(parts.len(), "machine", "machines");
    lines.push(format!("on this sheet: {} on {of}", words::count(open, "open check", "open checks")));
    lines.push(printed(teller));
    let title = format!("{}: round of the {} shift", site_name(declared), shift.shift);
    Ok(Paper { title, lines, forbidden: Vec::new(), parts, declared, teller, hands_over: true })
}

fn due_request(session: &Session, args: &SheetPrintArgs) -> pb::ListDueRequest {
    pb::ListDueRequest {
        site: session.site(),
        area: args.area.clone().unwrap_or_default(),
        ..Default::default()
    }
}

/// What stands at the head of a page with a due list.
fn due_lines(list: &pb::ListDueResponse, until: &str, teller: Teller) -> Vec<String> {
    let mut lines = vec![printed(teller)];
    if !until.is_empty() {
        lines.push(format!("looking ahead to {}", teller.day(until)));
    }
    if list.held_reports > 0 {
        let held = usize::try_from(list.held_reports).unwrap_or(usize::MAX);
        lines.push(format!("{} held and not counted", words::count(held, "report is", "reports are")));
    }
    lines
}

async fn of_due<'d>(
    session: &Session,
    args: &SheetPrintArgs,
    declared: &'d Declared,
    leads: &Leads,
) -> Result<Paper<'d>, Failure> {
    let mut request = due_request(session, args);
    if let Some(span) = &args.within {
        request.until = due::look_ahead(session, &request, span).await?;
    }
    let mut list = due::gather(session, &request).await?;
    let teller = Teller::new(times::zone(&list.zone)?, clock::now());
    let title = format!("{}: what is due on {}", site_name(declared), teller.day(&list.shop_day));
    let lines = due_lines(&list, &request.until, teller);
    // Machines without an area stand last, as on the list.
    let mut machines: BTreeMap<(bool, String, String), Vec<pb::DueItem>> = BTreeMap::new();
    for item in std::mem::take(&mut list.items) {
        let place = (item.area.is_empty(), item.area.clone(), item.machine.clone());
        machines.entry(place).or_default().push(item);
    }
    let mut parts = Vec::new();
    for ((_, area, tag), orders) in machines {
        let at = list.forbidden.iter().position(|machine| machine.tag == tag);
        let name = orders.first().map(|item| item.machine_name.clone()).unwrap_or_default();
        let forbidden = at.map(|at| list.forbidden.remove(at).reason);
        let code = code(leads, &tag)?;
        parts.push(Part { tag, name, area, forbidden, code, checks: Vec::new(), orders });
    }
    Ok(Paper { title, lines, forbidden: list.forbidden, parts, declared, teller, hands_over: false })
}

async fn of_machines<'d>(
    session: &Session,
    args: &SheetPrintArgs,
    declared: &'d Declared,
    leads: &Leads,
) -> Result<Paper<'d>, Failure> {
    let zone = session.zone().await?;
    let teller = Teller::new(zone, clock::now());
    let (mut parts, mut lines) = (Vec::<Part>::new(), Vec::new());
    for machine in named(session, &args.machine).await? {
        let mut request = pb::ListDueRequest {
            machine: machine.tag.clone(),
            while_stopped: true,
            ..due_request(session, args)
        };
        if let Some(span) = &args.within {
            request.until = due::look_ahead(session, &request, span).await?;
        }
        let list = due::gather(session, &request).await?;
        if lines.is_empty() {
            lines = due_lines(&list, &request.until, teller);
        }
        let checks = pb::ListChecksRequest {
            site: session.site(),
            machine: machine.tag.clone(),
            only_open: true,
            ..Default::default()
        };
        let checks = round::gather(session, checks).await?;
        parts.push(Part {
            code: code(leads, &machine.tag)?,
            forbidden: (machine.state() == pb::MachineState::Forbidden).then_some(machine.reason),
            tag: machine.tag,
            name: machine.name,
            area: machine.area,
            checks: checks.machines.into_iter().flat_map(|of| of.checks).collect(),
            orders: list.items,
        });
    }
    let tags: Vec<&str> = parts.iter().map(|part| part.tag.as_str()).collect();
    let title = format!("{}: work on {}", site_name(declared), tags.join(", "));
    Ok(Paper { title, lines, forbidden: Vec::new(), parts, declared, teller, hands_over: false })
}

/// The machines that were named, each once.
async fn named(session: &Session, names: &[String]) -> Result<Vec<pb::Machine>, Failure> {
    let mut all: Vec<pb::Machine> = Vec::new();
    for name in names {
        let request = pb::GetMachineRequest { site: session.site(), machine: name.clone() };
        let answer = session
            .ask(&request, |link, request| async move { link.machines().get_machine(request).await })
            .await?;
        let machine = answer.machine.unwrap_or_default();
        if !all.iter().any(|known| known.tag == machine.tag) {
            all.push(machine);
        }
    }
    Ok(all)
}

/// Prints labels.
pub(super) async fn labels(session: &Session, args: SheetLabelsArgs) -> Result<Answer, Failure> {
    let leads = Leads::to(args.page.address.as_deref(), session.site())?;
    let places = Places::begin(session, &args.page)?;
    let mut machines = if args.machine.is_empty() {
        machine::all(session, args.area.clone().unwrap_or_default()).await?
    } else {
        named(session, &args.machine).await?
    };
    machines.retain(|machine| machine.state() != pb::MachineState::Retired);
    if machines.is_empty() {
        return Err(Failure::usage("no machine to label")
            .with_hint("`fettler machine list` shows the machines with their areas"));
    }
    let mut all = Vec::new();
    for machine in machines {
        let code = code(&leads, &machine.tag)?;
        all.push(Label { tag: machine.tag, name: machine.name, area: machine.area, code });
    }
    let page = labels::page(&all, Cell { wide_mm: args.wide, high_mm: args.high });
    places.put(session, page).await
}
