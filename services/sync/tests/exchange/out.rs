//! Exporting listings.

use crate::shop::TestShop;
use ledger::{Access, Ledger};
use sha2::Digest;
use std::fs;
use std::sync::Arc;
use sync::Watch;
use sync::exchange::{Destination, FeedOutRun, OutFormat, What, feed_out};

async fn changes(shop: &TestShop) -> Vec<String> {
    shop.clock.advance_millis(1000);
    TestShop::lines(&shop.out(What::Changes).await.unwrap())
}

#[tokio::test]
async fn everything_goes_out_with_its_description() {
    let shop = TestShop::stocked().await;
    shop.sell("C2").await;
    let report = shop.out(What::All).await.unwrap();
    let expected = ["B1 InStock 1", "B2 InStock 1", "C1 InStock 1", "KIT InStock 3", "ROV InStock 40"];
    assert_eq!(TestShop::lines(&report), expected);
    assert_eq!((report.listings, report.ended, report.run.is_some()), (5, 0, true));
    let mut names: Vec<String> = fs::read_dir(shop.path("out"))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    let name = format!("listings-20260615T120000Z-{}.csv", report.run.unwrap());
    assert_eq!(names, [name.clone(), format!("{name}-metadata.json")]);
    let about: serde_json::Value =
        serde_json::from_str(&shop.read(&format!("out/{name}-metadata.json"))).unwrap();
    assert_eq!(about["url"], name);
    // Again within the same second: another file.
    let second = shop.out(What::All).await.unwrap();
    assert_ne!(second.file, report.file);
}

/// Many at once, from two programs that have the shop open: each run has its own file, which contains
/// what is recorded.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn feeds_that_are_written_at_once_are_files_of_their_own() {
    let shop = Arc::new(TestShop::stocked().await);
    let url = format!("sqlite:{}", shop.path("shop.db").display());
    let other = Arc::new(Ledger::open(&url, Access::Write, shop.clock.clone()).await.unwrap());
    let mut running = Vec::new();
    for number in 0..40 {
        let (shop, other) = (Arc::clone(&shop), Arc::clone(&other));
        running.push(tokio::spawn(async move {
            let ledger = if number % 2 == 0 { &shop.ledger } else { &*other };
            let what = if number % 3 == 0 { What::Changes } else { What::All };
            let to = Destination::Folder(shop.path("out"));
            let run = FeedOutRun { what, format: OutFormat::Csv, layout: None, to, watch: Watch::new() };
            let report = feed_out(ledger, run).await.unwrap();
            if number % 5 == 0 {
                shop.sell("ROV").await;
            }
            report
        }));
    }
    let mut files = Vec::new();
    for run in running {
        files.extend(run.await.unwrap().file);
    }
    let written = files.len();
    files.sort();
    files.dedup();
    assert_eq!(files.len(), written, "each run has a file of its own");
    let feed = shop.ledger.connection("feed").await.unwrap();
    let runs = shop.ledger.feed_runs(feed, 1000).await.unwrap();
    assert_eq!(runs.len(), written);
    for run in runs {
        let bytes = fs::read(shop.path("out").join(&run.file_name)).unwrap();
        let hash: String =
            sha2::Sha256::digest(&bytes).iter().fold(String::new(), |text, byte| format!("{text}{byte:02x}"));
        assert_eq!(hash, run.file_hash, "{}", run.file_name);
    }
    let left: Vec<_> = fs::read_dir(shop.path("out")).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left.len(), 2 * written, "{left:?}");
    other.close().await;
}

#[tokio::test]
async fn changes_are_told_once() {
    let shop = TestShop::stocked().await;
    let sale = shop.sell("C2").await;
    let all = ["B1 InStock 1", "B2 InStock 1", "C1 InStock 1", "KIT InStock 3", "ROV InStock 40"];
    assert_eq!(changes(&shop).await, all, "all that can be had and was never told");
    assert_eq!(changes(&shop).await, [""; 0]);
    let files = fs::read_dir(shop.path("out")).unwrap().count();
    assert_eq!(changes(&shop).await, [""; 0]);
    assert_eq!(fs::read_dir(shop.path("out")).unwrap().count(), files, "no change, no file");

    shop.sell("B1").await;
    assert_eq!(changes(&shop).await, ["B1 SoldOut 0"]);
    shop.sell("KIT").await;
    let kit = shop.sell("KIT").await;
    assert_eq!(changes(&shop).await, ["KIT InStock 1"], "two sales, one message");
    shop.take_back(&kit).await;
    shop.sell("KIT").await;
    assert_eq!(changes(&shop).await, [""; 0], "what is as it was told is not told again");
    shop.take_back(&sale).await;
    assert_eq!(changes(&shop).await, ["C2 InStock 1"], "sold before it was ever told, and put back");
}

#[tokio::test]
async fn a_full_feed_ends_what_it_listed_and_then_leaves_it_out() {
    let shop = TestShop::stocked().await;
    shop.out(What::All).await.unwrap();
    let sale = shop.sell("B1").await;
    let ended = shop.out(What::All).await.unwrap();
    assert_eq!((ended.listings, ended.ended), (6, 1));
    assert!(TestShop::lines(&ended).contains(&"B1 SoldOut 0".to_owned()));
    let after = shop.out(What::All).await.unwrap();
    assert_eq!((after.listings, after.ended), (5, 0));
    assert_eq!(changes(&shop).await, [""; 0], "a full feed told it already");
    shop.take_back(&sale).await;
    assert_eq!(changes(&shop).await, ["B1 InStock 1"]);
}

#[tokio::test]
async fn a_run_is_written_again_as_things_are_now() {
    let shop = TestShop::stocked().await;
    let all = shop.out(What::All).await.unwrap();
    shop.sell("B1").await;
    shop.sell("KIT").await;
    let run = shop.out(What::Changes).await.unwrap();
    assert_eq!(TestShop::lines(&run), ["B1 SoldOut 0", "KIT InStock 2"]);
    shop.sell("KIT").await;
    let again = shop.out(What::Again(run.run.unwrap())).await.unwrap();
    assert_eq!(TestShop::lines(&again), ["B1 SoldOut 0", "KIT InStock 1"]);
    assert_eq!(changes(&shop).await, [""; 0], "written again, it counts as told");
    let again = shop.out(What::Again(all.run.unwrap())).await.unwrap();
    assert_eq!(again.listings, 5);
    let unknown = shop.out(What::Again(domain::ids::RunId::from_raw(1))).await;
    assert!(unknown.is_err_and(|e| e.to_string() == "there is no run 1"));
}

/// A writer that fails after some bytes, like a full disk or a reader that went away.
struct Broken(usize);

impl std::io::Write for Broken {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        if bytes.len() > self.0 {
            return Err(std::io::Error::other("no space left"));
        }
        self.0 -= bytes.len();
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[tokio::test]
async fn what_was_not_written_whole_was_not_told() {
    let shop = TestShop::stocked().await;
    for what in [What::All, What::Changes] {
        let to = Destination::Stream(Box::new(Broken(100)));
        let run = FeedOutRun { what, format: OutFormat::Csv, layout: None, to, watch: Watch::new() };
        let told = feed_out(&shop.ledger, run).await.expect_err("a broken stream").to_string();
        assert!(told.contains("no space left"), "{told}");
    }
    assert_eq!(changes(&shop).await.len(), 6, "all of it is still to be told");
}

/// Between renaming and recording there is nothing else: a run that is interrupted there leaves a
/// complete file and a ledger without that run.
#[tokio::test]
async fn a_crash_between_renaming_and_recording_writes_the_same_again() {
    let shop = TestShop::stocked().await;
    let path = shop.path("shop.db");
    let copy = shop.path("crashed.db");
    shop.ledger.close().await;
    fs::copy(&path, &copy).unwrap();
    let open = async |path: &std::path::Path| {
        let url = format!("sqlite:{}", path.display());
        let clock = std::sync::Arc::<ledger::ManualClock>::clone(&shop.clock);
        ledger::Ledger::open(&url, ledger::Access::Write, clock).await.unwrap()
    };
    let write = async |ledger: &ledger::Ledger, folder: &str| {
        let to = Destination::Folder(shop.path(folder));
        let format = OutFormat::Csv;
        let run = FeedOutRun { what: What::Changes, format, layout: None, to, watch: Watch::new() };
        fs::read_to_string(feed_out(ledger, run).await.unwrap().file.unwrap()).unwrap()
    };
    let first = write(&open(&path).await, "first").await;
    // The copy is the shop before anything was recorded.
    let second = write(&open(&copy).await, "second").await;
    assert_eq!(first, second);
    assert_eq!(first.lines().count(), 7);
}

#[tokio::test]
async fn pictures_go_beside_the_feed_or_become_addresses() {
    let shop = TestShop::open().await;
    let text = "name,sku,offers.price,image\nHat,H1,40,a.jpg|gone.jpg\nCap,H2,41,https://x.example/c.jpg\nBag,H3,42,../shop.db\n";
    let told = shop.items("items.csv", text).await.unwrap();
    // A name that leads out of the folder of images is refused on import.
    assert_eq!(told.rejected, 1, "{told:?}");
    fs::create_dir(shop.path("images")).unwrap();
    fs::write(shop.path("images/a.jpg"), b"picture").unwrap();
    let report = shop.out(What::All).await.unwrap();
    assert_eq!(fs::read(shop.path("out/images/a.jpg")).unwrap(), b"picture");
    let missing: Vec<(&str, &str)> =
        report.missing.iter().map(|p| (p.sku.as_str(), p.name.as_str())).collect();
    assert_eq!(missing, [("H1", "gone.jpg")]);
    assert_eq!(report.pictures_missing, 1);
    let feed = fs::read_to_string(report.file.unwrap()).unwrap();
    assert!(
        feed.contains("images/a.jpg|images/gone.jpg") && feed.contains("https://x.example/c.jpg"),
        "{feed}"
    );

    let base = ledger::keeping::SetShop {
        key: "image_base".to_owned(),
        value: "https://farm.example/p".to_owned(),
        who: "owner".to_owned(),
    };
    shop.ledger.execute(None, &base).await.unwrap();
    let report = shop.out(What::All).await.unwrap();
    let feed = fs::read_to_string(report.file.unwrap()).unwrap();
    assert!(feed.contains("https://farm.example/p/a.jpg|https://farm.example/p/gone.jpg"), "{feed}");
    assert_eq!(report.pictures_missing, 0);
}

#[tokio::test]
async fn json_ld_and_layouts() {
    let shop = TestShop::stocked().await;
    let layout = sync::GivenLayout::parse(
        "feed = \"listings\"\n[field.sku]\nfrom = \"Artikel\"\n[field.\"offers.price\"]\nfrom = \"Preis\"\ndecimal = \",\"\n",
    )
    .unwrap();
    let orders = sync::GivenLayout::parse(
        "feed = \"orders\"\n[field.orderNumber]\n[field.orderDate]\n[field.sku]\n[field.orderQuantity]\n[field.price]\n",
    )
    .unwrap();
    let check = async |format: OutFormat, layout: Option<&sync::GivenLayout>, expected: &str| {
        let to = Destination::Folder(shop.path("forms"));
        let run = FeedOutRun { what: What::All, format, layout, to, watch: Watch::new() };
        let told = match feed_out(&shop.ledger, run).await {
            Ok(report) => fs::read_to_string(report.file.unwrap()).unwrap(),
            Err(error) => error.to_string(),
        };
        assert!(told.contains(expected), "{told}");
    };
    check(OutFormat::Json, None, "\"@context\":\"https://schema.org\"").await;
    check(OutFormat::Csv, Some(&layout), "Artikel,Preis\r\nB1,\"48,00\"\r\n").await;
    check(OutFormat::Json, Some(&layout), "leave out --layout").await;
    check(OutFormat::Csv, Some(&orders), "the layout is for orders, and this is about listings").await;
}
