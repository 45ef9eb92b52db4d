//! What a token of the identity provider claims (RFC 7519): for whom, until when, and which roles at which sites that makes.

use super::Refused;
use fettler_domain::access::Role;
use fettler_domain::time::{MICROS_PER_SECOND, Ts};
use serde_json::Value;
use std::collections::BTreeSet;
use std::str::FromStr;

/// How far the provider's clock may differ from ours, in seconds.
pub const LEEWAY_SECONDS: i64 = 60;
/// The longest subject, in bytes (OpenID Connect Core, section 2: 255 ASCII characters at most).
const SUBJECT_MAX: usize = 255;
/// The latest time that is taken for one, in seconds: the year 2200.
const SECONDS_MAX: i64 = Ts::MAX.0 / MICROS_PER_SECOND;

/// What a token must claim.
#[derive(Clone, Debug)]
pub struct Rules {
    /// Who issues it, to the letter.
    pub issuer: String,
    /// For whom it must be.
    pub audience: String,
    /// The claim that holds what makes the roles; a dot leads into it.
    pub role_claim: String,
    /// The claim that holds a person's name; none where nobody is known by it.
    pub person_claim: Option<String>,
    /// What makes which role.
    pub grants: Vec<Grant>,
}

/// A value of the role claim and what it makes: `maintenance=technician@north`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grant {
    /// The value.
    pub value: String,
    /// The role.
    pub role: Role,
    /// The key of the site; none for the whole installation.
    pub site: Option<String>,
}

impl FromStr for Grant {
    type Err = String;

    fn from_str(text: &str) -> Result<Grant, String> {
        let bad = || "is no grant; give VALUE=ROLE or VALUE=ROLE@SITE".to_owned();
        let (value, made) = text.rsplit_once('=').filter(|(value, _)| !value.is_empty()).ok_or_else(bad)?;
        let (role, site) = match made.split_once('@') {
            Some((role, site)) if !site.is_empty() => (role, Some(site.to_owned())),
            Some(_) => return Err(bad()),
            None => (made, None),
        };
        let role = Role::from_word(role).ok_or_else(|| {
            let roles = Role::ALL.map(Role::word).join(", ");
            format!("makes `{role}`, which is no role; give one of {roles}")
        })?;
        Ok(Grant { value: value.to_owned(), role, site })
    }
}

/// What is believed of a token that is signed as it should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Claims {
    /// Whom it stands for, at this issuer.
    pub subject: String,
    /// From when on it is not taken any more, the leeway included.
    pub until: Ts,
    /// The roles.
    pub roles: BTreeSet<Role>,
    /// The keys of the sites; none for the whole installation.
    pub sites: Option<BTreeSet<String>>,
    /// The person's name.
    pub person: Option<String>,
}

/// Reads what is claimed, and sees that it is for us and for now.
pub fn read(payload: &[u8], rules: &Rules, now: Ts) -> Result<Claims, Refused> {
    let claims: Value = serde_json::from_slice(payload).map_err(|_| Refused::Form)?;
    if claims.get("iss").and_then(Value::as_str) != Some(rules.issuer.as_str()) {
        return Err(Refused::Issuer);
    }
    let is_ours = |audience: &Value| audience.as_str() == Some(rules.audience.as_str());
    // One audience is one text: a blank in it parts nothing.
    let audience = claims.get("aud");
    if !audience
        .is_some_and(|said| is_ours(said) || said.as_array().is_some_and(|all| all.iter().any(is_ours)))
    {
        return Err(Refused::Audience);
    }
    let until = seconds(&claims, "exp")?.ok_or(Refused::Claim("exp"))?.plus_micros(leeway());
    if until <= now {
        return Err(Refused::Expired);
    }
    // Not every issuer says `nbf`; when it was issued says as much.
    let from = seconds(&claims, "nbf")?.or(seconds(&claims, "iat")?).ok_or(Refused::Claim("nbf"))?;
    if from > now.plus_micros(leeway()) {
        return Err(Refused::NotYet);
    }
    let subject = claims.get("sub").and_then(Value::as_str).unwrap_or_default();
    if subject.is_empty() || subject.len() > SUBJECT_MAX || subject.chars().any(char::is_control) {
        return Err(Refused::Claim("sub"));
    }
    let (granted_roles, sites) = granted(&texts(at(&claims, &rules.role_claim)), &rules.grants)?;
    let person = rules.person_claim.as_ref().and_then(|claim| at(&claims, claim)?.as_str());
    Ok(Claims {
        subject: subject.to_owned(),
        until,
        roles: granted_roles,
        sites,
        person: person.map(str::to_owned),
    })
}

fn leeway() -> i64 {
    LEEWAY_SECONDS * MICROS_PER_SECOND
}

/// A time in whole seconds; fractions are cut. What is there and no time is refused, never left out of account.
fn seconds(claims: &Value, name: &'static str) -> Result<Option<Ts>, Refused> {
    let Some(value) = claims.get(name) else { return Ok(None) };
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a float that is cast stays within the bounds of the whole number"
    )]
    let whole = value.as_i64().or_else(|| value.as_f64().map(|seconds| seconds.floor() as i64));
    let whole = whole.filter(|seconds| (0..=SECONDS_MAX).contains(seconds)).ok_or(Refused::Claim(name))?;
    Ok(Some(Ts(whole * MICROS_PER_SECOND)))
}

/// A claim by its name, else by the way that the dots in it lead.
fn at<'a>(claims: &'a Value, name: &str) -> Option<&'a Value> {
    claims.get(name).or_else(|| name.split('.').try_fold(claims, |value, part| value.get(part)))
}

/// The texts of a claim: a list's, or the words of one text.
fn texts(value: Option<&Value>) -> Vec<&str> {
    match value {
        Some(Value::String(text)) => text.split_whitespace().collect(),
        Some(Value::Array(list)) => list.iter().filter_map(Value::as_str).collect(),
        Some(Value::Null | Value::Bool(_) | Value::Number(_) | Value::Object(_)) | None => Vec::new(),
    }
}

type Granted = (BTreeSet<Role>, Option<BTreeSet<String>>);

/// The roles and the sites that values make. All roles of a token hold at all its sites, so values that make one role here and
/// another there would make both at both, and are refused.
fn granted(values: &[&str], grants: &[Grant]) -> Result<Granted, Refused> {
    let mut all: Vec<(Role, BTreeSet<&str>)> = Vec::new();
    for role in Role::ALL {
        let of_role =
            grants.iter().filter(|grant| grant.role == role && values.contains(&grant.value.as_str()));
        // The whole installation holds every site.
        let sites: Vec<&str> = of_role.map(|grant| grant.site.as_deref().unwrap_or_default()).collect();
        match sites.as_slice() {
            [] => {}
            sites if sites.contains(&"") => all.push((role, BTreeSet::new())),
            sites => all.push((role, sites.iter().copied().collect())),
        }
    }
    let Some((_, sites)) = all.first().cloned() else { return Err(Refused::NoRole) };
    if all.iter().any(|(_, other)| *other != sites) {
        return Err(Refused::SitesDiffer);
    }
    let roles = all.into_iter().map(|(role, _)| role).collect();
    let sites: BTreeSet<String> = sites.into_iter().map(str::to_owned).collect();
    Ok((roles, (!sites.is_empty()).then_some(sites)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    const NOW: Ts = Ts(1_795_597_200_000_000);
    const SECOND: i64 = 1_795_597_200;

    fn rules() -> Rules {
        let grants =
            ["wrench=technician@north", "plan=planner@north", "office=manager", "far=technician@south"];
        Rules {
            issuer: "https://id.example".into(),
            audience: "fettler".into(),
            role_claim: "groups".into(),
            person_claim: Some("name".into()),
            grants: grants.map(|grant| grant.parse().unwrap()).to_vec(),
        }
    }

    fn good() -> Value {
        json!({
            "iss": "https://id.example", "aud": ["other", "fettler"], "sub": "u-7", "exp": SECOND + 300, "nbf": SECOND - 5,
            "groups": ["wrench", "choir"], "name": "Ada Kern",
        })
    }

    fn with(name: &str, value: &Value) -> Result<Claims, Refused> {
        let mut claims = good();
        match value {
            Value::Null => drop(claims.as_object_mut().unwrap().remove(name)),
            Value::Bool(_) | Value::Number(_) | Value::String(_) | Value::Array(_) | Value::Object(_) => {
                claims[name] = value.clone();
            }
        }
        read(claims.to_string().as_bytes(), &rules(), NOW)
    }

    #[test]
    fn what_is_right_is_believed() {
        let claims = with("aud", &json!("fettler")).unwrap();
        assert_eq!(with("aud", &json!(["fettler"])), Ok(claims.clone()));
        assert_eq!((claims.subject.as_str(), claims.person.as_deref()), ("u-7", Some("Ada Kern")));
        assert_eq!(claims.until, Ts((SECOND + 360) * MICROS_PER_SECOND));
        assert_eq!(claims.roles, BTreeSet::from([Role::Technician]));
        assert_eq!(claims.sites, Some(BTreeSet::from(["north".to_owned()])));
        assert_eq!(with("groups", &json!("office")).unwrap().sites, None);
        let both = with("groups", &json!(["wrench", "plan"])).unwrap();
        assert_eq!(both.roles, BTreeSet::from([Role::Technician, Role::Planner]));
        let both = with("groups", &json!(["wrench", "far"])).unwrap();
        assert_eq!(both.sites.unwrap().len(), 2, "one role at two sites");
        assert_eq!(
            with("exp", &json!(1_795_597_200.5)).unwrap().until,
            Ts((SECOND + 60) * MICROS_PER_SECOND)
        );
    }

    #[test]
    fn each_claim_that_is_wrong_is_refused_by_itself() {
        let check = |name: &str, value: Value, why: Refused| {
            assert_eq!(with(name, &value), Err(why), "{name} {value}");
        };
        check("aud", json!("fettler test"), Refused::Audience);
        check("iss", json!("https://id.example/"), Refused::Issuer);
        check("iss", json!(["https://id.example"]), Refused::Issuer);
        check("iss", Value::Null, Refused::Issuer);
        check("aud", json!("fettler2"), Refused::Audience);
        check("aud", json!([]), Refused::Audience);
        check("aud", Value::Null, Refused::Audience);
        check("exp", Value::Null, Refused::Claim("exp"));
        check("exp", json!("1795597500"), Refused::Claim("exp"));
        check("exp", json!(-1), Refused::Claim("exp"));
        check("exp", json!(1e300), Refused::Claim("exp"));
        check("exp", json!(SECOND - LEEWAY_SECONDS), Refused::Expired);
        check("nbf", json!(SECOND + LEEWAY_SECONDS + 1), Refused::NotYet);
        check("nbf", json!("1795597100"), Refused::Claim("nbf"));
        check("nbf", Value::Null, Refused::Claim("nbf"));
        check("sub", Value::Null, Refused::Claim("sub"));
        check("sub", json!(""), Refused::Claim("sub"));
        check("sub", json!("x".repeat(256)), Refused::Claim("sub"));
        check("groups", Value::Null, Refused::NoRole);
        check("groups", json!(["choir"]), Refused::NoRole);
        check("groups", json!(["wrench", "office"]), Refused::SitesDiffer);
        assert!(with("exp", &json!(SECOND - LEEWAY_SECONDS + 1)).is_ok());
        assert!(with("nbf", &json!(SECOND + LEEWAY_SECONDS)).is_ok());
        assert_eq!(read(b"[]", &rules(), NOW), Err(Refused::Issuer));
        assert_eq!(read(b"x", &rules(), NOW), Err(Refused::Form));
    }

    #[test]
    fn a_claim_may_lie_within_another_and_when_it_was_issued_stands_for_nbf() {
        let mut claims = good();
        claims["realm"] = json!({"roles": ["wrench"]});
        claims["iat"] = json!(SECOND);
        claims.as_object_mut().unwrap().remove("nbf");
        let rules = Rules { role_claim: "realm.roles".into(), ..rules() };
        let of = |claims: &Value| read(claims.to_string().as_bytes(), &rules, NOW);
        assert_eq!(of(&claims).unwrap().roles, BTreeSet::from([Role::Technician]));
        claims["iat"] = json!(SECOND + LEEWAY_SECONDS + 1);
        assert_eq!(of(&claims), Err(Refused::NotYet));
    }

    #[test]
    fn a_grant_is_read_as_it_is_written() {
        let grant = "cn=shop,dc=example=technician@north".parse::<Grant>().unwrap();
        assert_eq!((grant.value.as_str(), grant.site.as_deref()), ("cn=shop,dc=example", Some("north")));
        for bad in ["", "wrench", "=technician", "wrench=", "wrench=boss", "wrench=technician@"] {
            assert!(bad.parse::<Grant>().is_err(), "{bad}");
        }
    }
}
