#![no_main]

use std::sync::LazyLock;

use nosebar_fuzz::house::House;

static HOUSE: LazyLock<House> = LazyLock::new(House::open);

libfuzzer_sys::fuzz_target!(|data: &[u8]| nosebar_fuzz::uploads::check(&HOUSE, data));
