//! Items on the shelf between the file and the contract. What is as it is by default is not written.

use super::model::Item;
use super::text::Plain;
use fettler_proto::v1 as pb;

/// The contract's default unit, pack and service level.
const UNIT: &str = "pcs";
const PACK: &str = "1";
const SERVICE_PERCENT: i32 = 95;

/// An item of the file.
pub(super) fn to_wire(table: &Item) -> pb::ItemCard {
    let plain = |value: &Option<Plain>| value.as_ref().map(|Plain(text)| text.clone()).unwrap_or_default();
    pb::ItemCard {
        name: table.name.clone(),
        code: table.code.clone(),
        unit: table.unit.clone(),
        pack: plain(&table.pack),
        least: plain(&table.least),
        lead_days: table.lead_days,
        lead_spread_days: table.lead_spread_days,
        shelf_life_days: table.shelf_life_days,
        lost_days: table.lost_days,
        hazardous: table.hazardous,
        data_sheet: table.data_sheet.clone(),
        service_percent: table.service_percent,
        order_cost: plain(&table.order_cost),
        holding_cost: plain(&table.holding_cost),
        retire: table.retire,
        unit_cost: plain(&table.unit_cost),
    }
}

/// An item for the file.
pub(super) fn from_wire(card: &pb::ItemCard) -> Item {
    let plain = |text: &str| (!text.is_empty()).then(|| Plain(text.to_owned()));
    let unless = |text: &str, default: &str| if text == default { String::new() } else { text.to_owned() };
    Item {
        name: card.name.clone(),
        code: card.code.clone(),
        unit: unless(&card.unit, UNIT),
        pack: plain(&unless(&card.pack, PACK)),
        least: plain(&card.least),
        lead_days: card.lead_days,
        lead_spread_days: card.lead_spread_days,
        shelf_life_days: card.shelf_life_days,
        lost_days: card.lost_days,
        hazardous: card.hazardous,
        data_sheet: card.data_sheet.clone(),
        service_percent: if card.service_percent == SERVICE_PERCENT { 0 } else { card.service_percent },
        order_cost: plain(&card.order_cost),
        holding_cost: plain(&card.holding_cost),
        unit_cost: plain(&card.unit_cost),
        retire: card.retire,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_item_goes_there_and_back() {
        let text = "name = \"way oil\"\ncode = \"4711\"\nunit = \"L\"\npack = 20\nlead_days = 5\nshelf_life_days = 1095\n\
                    hazardous = true\ndata_sheet = \"SDS 12\"\norder_cost = 12.5\nholding_cost = 0.8\n";
        let item: Item = toml::from_str(text).expect("an item");
        let card = to_wire(&item);
        assert_eq!((card.pack.as_str(), card.order_cost.as_str(), card.lead_days), ("20", "12.5", Some(5)));
        assert_eq!(from_wire(&card), Item { pack: Some(Plain("20".into())), ..item });
        let given = pb::ItemCard {
            name: "cloth".into(),
            unit: "pcs".into(),
            pack: "1".into(),
            lead_days: Some(7),
            service_percent: 95,
            ..Default::default()
        };
        let expect = Item { name: "cloth".into(), lead_days: Some(7), ..Item::default() };
        assert_eq!(from_wire(&given), expect);
    }
}
