//! Which role may make which call. There is no other list of calls than the protos': one without a row here does not build.

use fettler_domain::access::{Access, Role};
use fettler_domain::error::Error;
use fettler_proto::Method;

use Role::{Manager, Planner, Reporter, Technician};

/// Everybody who works in the shop.
const SHOP: &[Role] = &[Technician, Planner, Manager];
/// They, and the programs that report.
const ALL: &[Role] = &[Reporter, Technician, Planner, Manager];
/// Who audits.
const AUDIT: &[Role] = &[Manager];
/// Nobody but an administrator.
const ADMIN: &[Role] = &[];

/// The roles that may make a call; an administrator may make every call.
#[expect(clippy::match_same_arms, reason = "the rows stand by what they are about")]
pub const fn roles(method: Method) -> &'static [Role] {
    match method {
        // The shop as declared.
        Method::GetInstallation | Method::ListSites => ALL,
        Method::GetShop => SHOP,
        Method::LoadShop | Method::StateLastDone => &[Planner],
        // Machines. Whoever sees a danger may forbid, and whoever works on it gives it back.
        Method::ListMachines | Method::GetMachine => SHOP,
        Method::ForbidMachine | Method::ReturnMachine => SHOP,
        Method::RestMachine | Method::RetireMachine => &[Planner],
        // People.
        Method::ListPeople => SHOP,
        Method::AddPerson => &[Planner, Manager],
        // Beyond this, only a manager sets that of somebody else.
        Method::SetPin => &[Technician, Manager],
        // What it takes away comes back for nobody.
        Method::ErasePerson => ADMIN,
        // Run hours. A technician reads counters, and sees one replaced.
        Method::PushReport => &[Reporter, Technician],
        Method::PushReports | Method::StreamReports => &[Reporter],
        Method::ListReports | Method::ListHeldReports | Method::GetMeter => ALL,
        Method::SettleReport | Method::BookAdjustment => AUDIT,
        Method::ReplaceCounter => &[Technician, Planner],
        // What is to run.
        Method::PlanUse => &[Reporter, Planner],
        Method::ListPlannedUse => ALL,
        // What is due.
        Method::ListDue | Method::ExplainOrder | Method::LookAhead | Method::WatchDue => SHOP,
        // Secret addresses of it need no token once they are made.
        Method::GetDueCalendar => SHOP,
        Method::AddDueCalendar | Method::ListDueCalendars | Method::RevokeDueCalendar => &[Planner, Manager],
        // Work orders. Skipping a hazard, and undoing on a later shop day, is a manager's beyond this.
        Method::ListOrders | Method::GetOrder | Method::RaiseOrder => SHOP,
        Method::CloseOrder => &[Technician],
        Method::SkipOrder | Method::UndoClosing => &[Technician, Manager],
        // Readings.
        Method::ListReadings | Method::ExplainPoint => SHOP,
        Method::TakeReadings => &[Technician],
        Method::WithdrawReading => &[Technician, Manager],
        // Rounds. Whoever works on the machines walks them; the others see how far it is.
        Method::GetRound | Method::ListChecks | Method::ListReadiness | Method::ListHandovers => SHOP,
        Method::RecordChecks | Method::EndRound | Method::AcknowledgeHandover => &[Technician],
        // Fluids.
        Method::GetFluidRecord => SHOP,
        Method::RecordFluid => &[Technician, Planner],
        Method::WithdrawFluid => SHOP,
        // The shelf. The ERP buys, and books what comes; who works on the machines takes from it and counts.
        Method::ListStock | Method::GetBuyList => ALL,
        Method::ReceiveStock => &[Reporter, Technician, Planner],
        Method::CountStock | Method::IssueStock => &[Technician, Planner],
        Method::WithdrawIssue => SHOP,
        Method::RecordPurchase | Method::CancelPurchase => &[Reporter, Planner],
        // What the ERP books of all that.
        Method::GetOutbound | Method::AcknowledgeOutbound => &[Reporter, Planner],
        // What closings tell. A manager decides on intervals; who plans may see what is thought of them.
        Method::ListAdvice | Method::GetAdvice => &[Planner, Manager],
        Method::AnswerAdvice => AUDIT,
        Method::GetFigures => &[Planner, Manager],
        // What was done, and the journal. Who closes does not audit.
        Method::ExportClosings => AUDIT,
        Method::ListEntries | Method::GetJournalHead => AUDIT,
        Method::GetCheckpoint | Method::ListCheckpoints | Method::GetConsistency => AUDIT,
        Method::GetInclusion | Method::ListLeaves => AUDIT,
    }
}

/// Refuses a call that none of the token's roles may make.
pub fn may(access: &Access, method: Method) -> Result<(), Error> {
    let roles = roles(method);
    if access.is_one_of(roles) {
        return Ok(());
    }
    let name = method.name();
    let roles = if roles.is_empty() { &[Role::Admin] } else { roles };
    let words: Vec<&str> = roles.iter().map(|role| role.word()).collect();
    let text = format!("{name} needs a token with the role {}", words.join(" or "));
    Err(Error::NotAllowed { reason: "ROLE_MISSING", subject: name.to_owned(), text })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The row of a call in the documentation's table.
    fn documented(method: Method) -> String {
        let said = [Reporter, Technician, Planner, Manager]
            .map(|role| if roles(method).contains(&role) { " yes |" } else { " |" });
        format!("| `{}` |{}", method.name(), said.concat())
    }

    #[test]
    fn the_table_of_the_documentation_is_this_one() {
        let text = include_str!("../../../docs/security.md");
        let shown: Vec<&str> = text.lines().filter(|line| line.starts_with("| `")).collect();
        let mut all: Vec<String> = Method::ALL.iter().copied().map(documented).collect();
        all.sort_unstable();
        assert_eq!(shown, all);
    }
}
