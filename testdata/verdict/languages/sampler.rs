// The secondary core in Rust: what is shared is wrapped as the language wants it.
#![no_std]
#![no_main]
#![allow(non_upper_case_globals, unused_imports)]

use core::cell::UnsafeCell;
use core::mem::MaybeUninit;
use core::ptr::NonNull;
use core::sync::atomic::{AtomicU32, Ordering};

#[cfg(lost_three)]
#[repr(u8)]
#[derive(Clone, Copy)]
pub enum Quality {
    Good = 0,
    Poor = 1,
    Lost = 3,
}

#[cfg(not(lost_three))]
#[repr(u8)]
#[derive(Clone, Copy)]
pub enum Quality {
    Good = 0,
    Poor = 1,
    Lost = 2,
}

#[cfg(not(swapped))]
#[repr(C)]
#[derive(Clone, Copy)]
pub struct Frame {
    pub level: u32,
    pub battery: u16,
    pub quality: u8,
    pub reserved: u8,
}

#[cfg(swapped)]
#[repr(C)]
#[derive(Clone, Copy)]
pub struct Frame {
    pub battery: u16,
    pub quality: u8,
    pub reserved: u8,
    pub level: u32,
}

#[repr(C)]
pub struct Link {
    pub sequence: AtomicU32,
    pub frames: [Frame; 4],
    pub turn: AtomicU32,
}

#[repr(transparent)]
pub struct Shared<T>(UnsafeCell<T>);
unsafe impl<T> Sync for Shared<T> {}

#[no_mangle]
#[link_section = ".link.a"]
pub static mut link: MaybeUninit<Link> = MaybeUninit::uninit();

#[no_mangle]
#[link_section = ".link.b"]
pub static link_turn: AtomicU32 = AtomicU32::new(0);

#[cfg(not(any(tagged, cells)))]
#[no_mangle]
#[link_section = ".link.c"]
pub static link_words: Shared<[u32; 4]> = Shared(UnsafeCell::new([0; 4]));

#[cfg(tagged)]
pub enum Words {
    Nothing,
    One(u32),
    Three([u32; 3]),
}

#[cfg(tagged)]
#[no_mangle]
#[link_section = ".link.c"]
pub static link_words: Shared<Words> = Shared(UnsafeCell::new(Words::Nothing));

#[no_mangle]
#[link_section = ".link.d"]
pub static link_quality: Shared<Quality> = Shared(UnsafeCell::new(Quality::Good));

#[repr(i8)]
pub enum Trend {
    Falling = -1,
    Steady = 0,
    Rising = 1,
}

#[repr(C)]
#[derive(Clone, Copy)]
pub struct Halves {
    pub low: u16,
    pub high: u16,
}

#[repr(C)]
pub union Raw {
    pub raw: u32,
    pub halves: Halves,
}

#[repr(C)]
pub struct Report {
    #[cfg(not(moved))]
    pub raw: Raw,
    pub flags: u32,
    #[cfg(moved)]
    pub raw: Raw,
    pub trend: Trend,
    pub _reserved: [u8; 3],
}

#[repr(C)]
pub struct Node {
    pub next: Option<Next>,
    pub done: Option<unsafe extern "C" fn(u32)>,
    pub use_count: u32,
}

#[repr(C)]
pub struct Sample {
    pub value: u32,
    pub stamp: u32,
}

const NO_SAMPLE: Kept = NEVER_KEPT;

#[no_mangle]
#[link_section = ".link.e"]
pub static mut link_report: Report =
    Report { raw: Raw { raw: 0 }, flags: 0, trend: Trend::Steady, _reserved: [0; 3] };

#[no_mangle]
#[link_section = ".link.f"]
pub static mut link_node: Node = Node { next: None, done: None, use_count: 0 };

#[no_mangle]
#[link_section = ".link.g"]
pub static mut link_samples: [Kept; 2] = [NO_SAMPLE; 2];

extern "C" {
    static mut _sbss: u32;
    static _ebss: u32;
    static _estack: u32;
}

#[repr(C)]
pub union Vector {
    stack: *const u32,
    handler: unsafe extern "C" fn() -> !,
    none: usize,
}
unsafe impl Sync for Vector {}

unsafe extern "C" fn hold() -> ! {
    loop {
        core::arch::asm!("wfi");
    }
}

#[no_mangle]
pub unsafe extern "C" fn reset_handler() -> ! {
    let mut to = core::ptr::addr_of_mut!(_sbss);
    while (to as *const u32) < core::ptr::addr_of!(_ebss) {
        core::ptr::write_volatile(to, 0);
        to = to.add(1);
    }
    let mut count = 0u32;
    loop {
        count = count.wrapping_add(1);
        let shared = link.as_mut_ptr();
        core::ptr::write_volatile(core::ptr::addr_of_mut!((*shared).frames[0].level), count);
        core::ptr::write_volatile(link_quality.0.get(), if count & 1 == 0 { Quality::Poor } else { Quality::Lost });
        #[cfg(not(tagged))]
        core::ptr::write_volatile(link_words.0.get() as *mut u32, count);
        #[cfg(tagged)]
        core::ptr::write_volatile(link_words.0.get(), if count & 2 == 0 { Words::One(count) } else { Words::Three([count; 3]) });
        (*shared).sequence.store(count, Ordering::Release);
        link_turn.store(count, Ordering::Release);
    }
}

const HOLD: Vector = Vector { handler: hold };
const NONE: Vector = Vector { none: 0 };

#[no_mangle]
#[link_section = ".vectors"]
pub static vector_table: [Vector; 24] = [
    Vector { stack: unsafe { core::ptr::addr_of!(_estack) } },
    Vector { handler: reset_handler },
    HOLD, HOLD, NONE, NONE, NONE, NONE, NONE, NONE, NONE, HOLD, NONE, NONE, HOLD, HOLD,
    HOLD, HOLD, HOLD, HOLD, HOLD, HOLD, HOLD, HOLD,
];

#[panic_handler]
fn panic(_: &core::panic::PanicInfo) -> ! {
    loop {}
}

// Other wrappers, after all else, so that the lines of what the other forms have stay where they are.
#[cfg(not(referenced))]
type Next = NonNull<Node>;
#[cfg(referenced)]
type Next = &'static Node;

#[cfg(not(cells))]
type Kept = MaybeUninit<Sample>;
#[cfg(not(cells))]
const NEVER_KEPT: Kept = MaybeUninit::uninit();
#[cfg(cells)]
type Kept = core::mem::ManuallyDrop<Sample>;
#[cfg(cells)]
const NEVER_KEPT: Kept = core::mem::ManuallyDrop::new(Sample { value: 0, stamp: 0 });

#[cfg(cells)]
const NO_WORD: core::cell::Cell<u32> = core::cell::Cell::new(0);

#[cfg(cells)]
#[no_mangle]
#[link_section = ".link.c"]
pub static link_words: Shared<[core::cell::Cell<u32>; 4]> = Shared(UnsafeCell::new([NO_WORD; 4]));
