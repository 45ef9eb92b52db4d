//! The board tests' shop on a real store, asked as a browser asks it.

use crate::support::web::{Told, ask};
use crate::support::{NOW, Server};
use fettler_domain::access::{Access, Role, Scope};
use fettler_domain::ids::TokenId;
use fettler_server::auth::{hash, new_token};
use fettler_server::serve::Terms;
use fettler_server::web::BoardToken;
use fettler_store::contract::{Caller, NewToken, Store};
use std::sync::Arc;
use tempfile::TempDir;

/// A machine that was not cared for since October, and one that must not start.
const SHOP: &str = r#"{"shop": {"site": {"key": "north", "name": "North & sons", "zone": "Europe/Berlin", "asksPin": PIN},
  "people": ["Ada Kern", "Jo Lind"], "items": [{"name": "way oil", "unit": "L"}],
  "machines": [
    {"tag": "L-01", "name": "Lathe <1>", "area": "hall a",
     "points": [{"key": "line-air", "title": "line pressure", "unit": "bar", "actBelow": "5.5", "possibleFrom": "0", "possibleTo": "16",
                 "good": "about 6 bar", "place": "gauge at the inlet"}],
     "tasks": [{"key": "bowl", "title": "Empty the bowl", "place": "below the regulator", "minutes": 10, "readings": ["line-air"],
                "cautions": ["vent to 0 bar"], "kit": [{"item": "can", "quantity": "1", "unit": "pcs"}],
                "rule": {"clauses": [{"calendar": {"every": 4, "unit": "CALENDAR_UNIT_WEEK"}}]}}],
     "lastDone": [{"task": "bowl", "day": "2026-10-01"}]},
    {"tag": "L-02", "area": "hall b"}]}}"#;
const FORM: (&str, &str) = ("content-type", "application/x-www-form-urlencoded");

pub(crate) struct Shop {
    pub(crate) server: Server,
    pub(crate) store: Arc<dyn Store>,
    _folder: TempDir,
}

impl Shop {
    /// A shop; with a token by which its board is shown, where that is asked for.
    pub(crate) async fn open(asks_pin: bool, is_shown: bool) -> Shop {
        let folder = tempfile::tempdir().unwrap();
        let store = fettler_store::open(&folder.path().join("shop.db").display().to_string()).await.unwrap();
        let mut terms = Terms::default();
        if is_shown {
            let file = folder.path().join("board.token");
            std::fs::write(&file, added(&*store, Role::Technician).await.0).unwrap();
            terms.board = Some(BoardToken::read(&file).unwrap());
        }
        let server = Server::start_letting_in(store.clone(), terms).await;
        let shop = Shop { server, store, _folder: folder };
        shop.call("ShopService/LoadShop", &SHOP.replace("PIN", &asks_pin.to_string())).await;
        let forbid = r#"{"machine": "L-02", "by": "Jo Lind", "reason": "the interlock failed"}"#;
        shop.call("MachineService/ForbidMachine", forbid).await;
        shop
    }

    /// Makes a call in JSON as the administrator.
    pub(crate) async fn call(&self, path: &str, text: &str) -> serde_json::Value {
        let bearer = format!("Bearer {}", self.server.token);
        let headers = [("content-type", "application/json"), ("authorization", bearer.as_str())];
        let told =
            ask(self.server.http, "POST", &format!("/fettler.v1.{path}"), &headers, text.as_bytes()).await;
        assert_eq!(told.status, 200, "{}", told.text());
        told.json()
    }

    pub(crate) async fn get(&self, path: &str, cookie: &str) -> Told {
        ask(self.server.http, "GET", path, &[("cookie", cookie)], b"").await
    }

    pub(crate) async fn post(&self, path: &str, cookie: &str, body: &str) -> Told {
        self.post_from(path, &[("cookie", cookie), ("origin", "http://shop.example")], body).await
    }

    pub(crate) async fn post_from(&self, path: &str, headers: &[(&str, &str)], body: &str) -> Told {
        ask(self.server.http, "POST", path, &[headers, &[FORM]].concat(), body.as_bytes()).await
    }

    /// Enters a token; gives the cookie.
    pub(crate) async fn enter(&self, token: &str, purpose: &str) -> String {
        let told = self.post("/board/enter", "", &format!("token={token}&purpose={purpose}")).await;
        assert_eq!(told.status, 303, "{}", told.text());
        told.headers["set-cookie"].split(';').next().unwrap().to_owned()
    }

    /// A tablet of technicians.
    pub(crate) async fn tablet(&self) -> String {
        let (token, _) = added(&*self.store, Role::Technician).await;
        self.enter(&token, "work").await
    }

    /// The order of the bowl.
    pub(crate) async fn order(&self) -> i64 {
        let list = self.call("DueService/ListDue", "{}").await;
        list["items"][0]["order"].as_str().unwrap().parse().unwrap()
    }

    /// The closing of the bowl as its form sends it, with more typed.
    pub(crate) async fn typed(&self, cookie: &str, more: &str) -> (String, String) {
        let path = format!("/board/order/{}", self.order().await);
        let page = self.get(&path, cookie).await.text();
        let (mark, request) = (hidden(&page, "mark"), hidden(&page, "request"));
        (path, format!("mark={mark}&request={request}&cautious=1{more}"))
    }
}

/// A new token.
pub(crate) async fn added(store: &dyn Store, role: Role) -> (String, TokenId) {
    let token = new_token().unwrap();
    let access = Access::new([role], Scope::Installation).unwrap();
    let new = NewToken {
        name: "test".to_owned(),
        hash: hash(&token),
        access,
        expires_at: None,
        person: None,
        identity: None,
    };
    store.add_token(&caller(), &new).await.unwrap();
    let number = store.token(&hash(&token)).await.unwrap().unwrap().token;
    (token, number)
}

pub(crate) fn caller() -> Caller {
    Caller { token: None, method: "Test", request: None, now: NOW, person: None, as_manager: true }
}

/// What a hidden field of a page holds.
pub(crate) fn hidden(page: &str, name: &str) -> String {
    let (_, rest) = page.split_once(&format!("name=\"{name}\" value=\"")).unwrap_or_else(|| panic!("{page}"));
    rest.split('"').next().unwrap().to_owned()
}
