//! Listings told one by one as JSON, and pages of JSON that come back.

use domain::codes::Code;
use domain::day::Zone;
use domain::money::{Currency, Money};
use domain::quantity::{Measure, Quantity};
use domain::stock::Availability;
use domain::weight::{Weight, WeightUnit};
use feeds::connection::ConnectionFile;
use feeds::{
    Feed, Format, JsonOutError, Layout, Listing, ListingCsv, ListingMessages, MessageOf, PageReading,
    json_at, json_batch, kept_text, listings_of_page, orders_again, orders_of_page,
};
use serde_json::{Value, json};

fn listing() -> Listing {
    Listing {
        sku: Code::parse("B1").unwrap(),
        gtin: None,
        name: "Ridge \"beanie\"".to_owned(),
        description: String::new(),
        color: "moss".to_owned(),
        size: "M".to_owned(),
        material: "wool".to_owned(),
        weight: Some(Weight::parse("6.350", WeightUnit::Ounce).unwrap()),
        images: vec!["https://farm.example/a.jpg".to_owned(), "https://farm.example/b.jpg".to_owned()],
        price: Money::parse("48.00", Currency::USD).unwrap(),
        availability: Availability::InStock,
        inventory: Some(Quantity::from_steps(1, Measure::Units).unwrap()),
        revision: 7,
    }
}

fn layout(fields: &str) -> Layout {
    Layout::parse(&format!("feed = \"listings\"\nformat = \"json\"\n{fields}")).unwrap()
}

fn told(layout: Option<&Layout>, of: MessageOf) -> Value {
    let messages = ListingMessages::new(layout, of).unwrap();
    serde_json::from_slice(&messages.write(&listing())).unwrap()
}

#[test]
fn fields_stand_where_the_layout_puts_them() {
    let check = |fields: &str, expected: Value| {
        assert_eq!(told(Some(&layout(fields)), MessageOf::Listing), expected, "{fields}");
    };
    check("[field.sku]\nfrom = \"/code\"\n", json!({"code": "B1"}));
    check(
        "[field.sku]\nfrom = \"/goods/code\"\n[field.\"offers.price\"]\nfrom = \"/goods/money/amount\"\n\
         [field.\"offers.priceCurrency\"]\nfrom = \"/goods/money/currency\"\n",
        json!({"goods": {"code": "B1", "money": {"amount": "48.00", "currency": "USD"}}}),
    );
    // A list, a name with a slash in it (RFC 6901), a constant, what is empty left out.
    check(
        "[field.sku]\nfrom = \"/kinds/0/code\"\n[field.size]\nfrom = \"/kinds/0/a~1b\"\n\
         [field.name]\nfrom = \"/kinds/1\"\n[field.description]\nfrom = \"/about/text\"\n\
         [field.material]\nfrom = \"/from\"\nvalue = \"our farm\"\n",
        json!({"kinds": [{"code": "B1", "a/b": "M"}, "Ridge \"beanie\""], "from": "our farm"}),
    );
    check(
        "[field.sku]\nfrom = \"/code\"\n[field.image]\nfrom = \"/pictures\"\n",
        json!({"code": "B1", "pictures": ["https://farm.example/a.jpg", "https://farm.example/b.jpg"]}),
    );
    // Words of their own, and numbers that stay as they were written.
    check(
        "[field.sku]\nfrom = \"/code\"\n[field.\"offers.availability\"]\nfrom = \"/state\"\n\
         words = { here = \"InStock\", gone = \"SoldOut\" }\n",
        json!({"code": "B1", "state": "here"}),
    );
    let numbers = layout(
        "[field.sku]\nfrom = \"/code\"\n[field.\"offers.price\"]\nfrom = \"/price\"\nas = \"number\"\n\
         [field.\"weight.value\"]\nfrom = \"/weight\"\ndecimal = \",\"\n[field.revision]\nfrom = \"/revision\"\n",
    );
    let text = ListingMessages::new(Some(&numbers), MessageOf::Listing).unwrap().write(&listing());
    let expected = r#"{"code":"B1","price":48.00,"revision":7,"weight":"6,350"}"#;
    assert_eq!(String::from_utf8(text).unwrap(), expected);
}

#[test]
fn words_of_their_own_go_into_csv_too() {
    let text = "feed = \"listings\"\n[field.sku]\nfrom = \"Code\"\n[field.\"offers.availability\"]\nfrom = \"State\"\n\
        words = { here = \"InStock\" }\n";
    let mut csv = ListingCsv::new(Vec::new(), &Layout::parse(text).unwrap()).unwrap();
    csv.write(&listing()).unwrap();
    let gone = Listing { availability: Availability::SoldOut, ..listing() };
    csv.write(&gone).unwrap();
    assert_eq!(
        String::from_utf8(csv.finish().unwrap().0).unwrap(),
        "Code,State\r\nB1,here\r\nB1,SoldOut\r\n"
    );
}

#[test]
fn a_message_about_stock_says_nothing_else() {
    let own = told(None, MessageOf::Stock);
    assert_eq!(own["sku"], "B1");
    assert_eq!(own["offers"]["availability"], "https://schema.org/InStock");
    assert_eq!(own["offers"]["inventoryLevel"]["value"], "1");
    assert_eq!(own["additionalProperty"]["value"], 7);
    assert!(own.get("name").is_none() && own["offers"].get("price").is_none(), "{own}");
    let by_layout = layout(
        "[field.sku]\nfrom = \"/code\"\n[field.name]\nfrom = \"/title\"\n[field.inventoryLevel]\nfrom = \"/left\"\nas = \"number\"\n\
         [field.color]\nfrom = \"/shop\"\nvalue = \"farm\"\n",
    );
    assert_eq!(told(Some(&by_layout), MessageOf::Stock), json!({"code": "B1", "left": 1, "shop": "farm"}));
    let hash = |change: fn(&mut Listing), of| {
        let mut item = listing();
        change(&mut item);
        ListingMessages::new(None, of).unwrap().hash(&item)
    };
    let same = |_: &mut Listing| {};
    assert_eq!(hash(same, MessageOf::Stock), hash(|i| i.name = "New".to_owned(), MessageOf::Stock));
    assert_ne!(
        hash(same, MessageOf::Stock),
        hash(|i| i.availability = Availability::SoldOut, MessageOf::Stock)
    );
    assert_ne!(hash(same, MessageOf::Listing), hash(|i| i.name = "New".to_owned(), MessageOf::Listing));
    assert_eq!(hash(same, MessageOf::Listing), hash(|i| i.revision = 8, MessageOf::Listing));
}

#[test]
fn our_own_message_reads_back_as_it_was() {
    let text = ListingMessages::new(None, MessageOf::Listing).unwrap().write(&listing());
    let layout = Layout::built_in(Feed::Listings, Format::Json).at_root();
    let zone = Zone::from_name("UTC").unwrap();
    let rows = listings_of_page(&text, PageReading { layout: &layout, currency: Currency::USD, zone: &zone })
        .unwrap();
    let row = &rows[0].as_ref().unwrap().value;
    assert_eq!((row.sku.as_str(), row.revision, row.price), ("B1", Some(7), Some(listing().price)));
    assert!(row.is_offered());
}

#[test]
fn layouts_that_cannot_be_written_are_refused() {
    let check = |fields: &str, expected: &str| {
        let refused = ListingMessages::new(Some(&layout(fields)), MessageOf::Listing).unwrap_err();
        assert!(refused.to_string().contains(expected), "{fields}: {refused}");
    };
    check("[field.sku]\nfrom = \"/a\"\n[field.name]\nfrom = \"/a\"\n", "another field stands there");
    check("[field.sku]\nfrom = \"/a\"\n[field.name]\nfrom = \"/a/b\"\n", "another field stands there");
    check("[field.sku]\nfrom = \"\"\n", "another field stands there");
    check("[field.sku]\nfrom = \"/a/1\"\n", "without gaps");
    check("[field.sku]\nfrom = \"/a/0\"\n[field.name]\nfrom = \"/a/2\"\n", "without gaps");
    check("[field.sku]\nfrom = \"/a/0\"\n[field.name]\nfrom = \"/a/b\"\n", "without gaps");
    check(
        "[field.sku]\nfrom = \"/a\"\n[field.name]\nfrom = \"/b\"\nvalue = \"{row}\"\n",
        "no file and no rows",
    );
    check(
        "[field.sku]\nfrom = \"/a\"\n[field.\"offers.availability\"]\nwords = { a = \"SoldOut\", b = \"SoldOut\" }\n",
        "two of them mean SoldOut",
    );
    let csv = Layout::parse("feed = \"listings\"\n[field.sku]\nfrom = \"Code\"\n").unwrap();
    assert_eq!(ListingMessages::new(Some(&csv), MessageOf::Listing).unwrap_err(), JsonOutError::OtherLayout);
}

#[test]
fn many_messages_go_as_one_list() {
    let file = |each: &str| {
        let text = format!(
            "channel = \"online\"\nbase = \"https://shop.example\"\n[out]\nto = \"/{{sku}}\"\n\
             batch = {{ to = \"/all\", each = \"{each}\" }}\n"
        );
        ConnectionFile::parse(&text).unwrap().out.batch.unwrap().each
    };
    let documents = [b"{\"a\":1}".to_vec(), b"{\"a\":2}".to_vec()];
    let check = |each: &str, expected: &str| {
        assert_eq!(String::from_utf8(json_batch(&file(each), &documents)).unwrap(), expected, "{each}");
    };
    check("", r#"[{"a":1},{"a":2}]"#);
    check("/listings", r#"{"listings":[{"a":1},{"a":2}]}"#);
    check("/put/a~1b", r#"{"put":{"a/b":[{"a":1},{"a":2}]}}"#);
}

const ORDERS: &str = "feed = \"orders\"\nformat = \"json\"\neach = \"/bought\"\nlines = \"/lines\"\n\
    [field.orderNumber]\nfrom = \"/ref\"\n[field.orderDate]\nfrom = \"/placed\"\n\
    [field.orderStatus]\nfrom = \"/state\"\nwords = { paid = \"OrderProcessing\", off = \"OrderCancelled\" }\n\
    [field.sku]\nfrom = \"/code\"\n[field.orderQuantity]\nfrom = \"/count\"\n[field.price]\nfrom = \"/each\"\n";

#[test]
fn a_page_of_orders_is_read_whole_or_not_at_all() {
    let layout = Layout::parse(ORDERS).unwrap();
    let zone = Zone::from_name("UTC").unwrap();
    let page = PageReading { layout: &layout, currency: Currency::USD, zone: &zone };
    let good = "{\"ref\": \"1\",\n \"placed\": \"2026-05-02T10:00:00Z\", \"state\": \"off\",\n\
        \"lines\": [{\"code\": \"B1\", \"count\": \"1\", \"each\": \"48.00\"}]}";
    let bad = good.replace("\"1\",", "\"2\",").replace("48.00", "much");
    let text = format!("{{\"bought\": [{good}, {bad}], \"next\": \"n-7\", \"none\": null, \"more\": true}}");
    let read = orders_of_page(text.as_bytes(), page).unwrap();
    let order = read[0].as_ref().unwrap();
    assert_eq!((order.value.number.as_str(), order.value.status.code()), ("1", "OrderCancelled"));
    assert!(read[1].as_ref().unwrap_err().to_string().contains("much"));
    // Kept, and read once more.
    let kept = kept_text(&order.rows);
    assert_eq!(kept.lines().count(), 1, "{kept}");
    let again = orders_again(&kept, page).unwrap();
    assert_eq!(again[0].as_ref().unwrap().value, order.value);
    for cut in [1, 20, text.len() / 2, text.len() - 1] {
        let broken = orders_of_page(&text.as_bytes()[..cut], page);
        // What stands behind the list is not looked at.
        assert!(broken.is_err() || cut == text.len() - 1, "{cut}");
    }
    for wrong in ["", "<html></html>", "{}", "[]", "{\"bought\": 3}"] {
        assert!(orders_of_page(wrong.as_bytes(), page).is_err(), "{wrong}");
    }
}

#[test]
fn single_values_are_found_by_their_place() {
    let text = "channel = \"online\"\nbase = \"https://shop.example\"\n[out]\nto = \"/x/{sku}\"\nnew = { to = \"/x\", id = \"PLACE\" }\n";
    let check = |body: &str, place: &str, expected: Option<&str>| {
        let file = ConnectionFile::parse(&text.replace("PLACE", place)).unwrap();
        let found = json_at(body.as_bytes(), file.out.new.unwrap().id.as_ref().unwrap());
        assert_eq!(found.as_deref(), expected, "{body} {place}");
    };
    check(r#"{"ref": "a-1"}"#, "/ref", Some("a-1"));
    check(r#"{"goods": [{"id": 17}]}"#, "/goods/0/id", Some("17"));
    check(r#"{"id": 12345678901234567890123}"#, "/id", Some("12345678901234567890123"));
    check(r#""a-1""#, "", Some("a-1"));
    check(r#"{"ref": null}"#, "/ref", None);
    check(r#"{"ref": ""}"#, "/ref", None);
    check(r#"{"ref": {"a": 1}}"#, "/ref", None);
    check(r#"{"ref": "a-1""#, "/ref", None);
    check("", "/ref", None);
    check("<html>", "/ref", None);
}
