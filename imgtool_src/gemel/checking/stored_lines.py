"""Name, severity and ``checks`` of each of our rules, so that listing them imports none.

Made from the rules by ``tests/check/make_stored_lines.py``; a test compares.
"""

from __future__ import annotations

LINES: tuple[tuple[str, str, str], ...] = (
    (
        "area-bytes-accounted-for",
        "warning",
        "In each area of flash for code or data whose builds are all given, bytes outside of what these store and of stamps and checksums are erased, or a fill of 0x00 or 0xFF.",
    ),
    (
        "areas-on-write-units",
        "error",
        "Each area of a flash memory starts and ends on a multiple of the memory's write unit.",
    ),
    (
        "attribution-on-sau-units",
        "error",
        "Each area whose security the layout states starts and ends at a multiple of 32 bytes.",
    ),
    (
        "boot-constant-agrees",
        "error",
        "The constant in the primary's code that each contract names as boot_symbol holds, in the image, the address at which a secondary sees its own vector table, or that of another build of the same core, as a boot loader's, and no secondary goes without while another has two; of a table of several fields one holds it.",
    ),
    (
        "build-architecture-fits-core",
        "error",
        "The architecture and profile in a build's attributes are those of its core, or ones whose code it runs.",
    ),
    (
        "build-demands-understood",
        "error",
        "A build's attributes hold no tag below 64 (modulo 128) that the standard does not define, and no arrangement outside it.",
    ),
    (
        "build-ids-equal",
        "error",
        "The build id note at each build's place in the image and the build id in the record are that of the given build, or where none is given, each other's.",
    ),
    (
        "builds-in-own-areas",
        "error",
        "Every byte that a build stores in flash is in the area that the layout gives it, except for the primary's copy of a secondary's build at the place of that build.",
    ),
    (
        "builds-inside-own-attribution",
        "error",
        "What a build is stored in, runs from and uses at run time, its first stack included, is in secure areas for a secure build and in non-secure areas for a non-secure one.",
    ),
    (
        "callable-area-holds-only-veneers",
        "error",
        "A non-secure-callable area of the image holds veneers in units of 32 bytes filled up with zeros, and otherwise nothing but zeros and erased bytes, with the instruction SG nowhere else at an even address.",
    ),
    (
        "checksum-distance-as-asked",
        "warning",
        "Each CRC covers no more bytes than it keeps the Hamming distance over that the layout requires (hamming_distance).",
    ),
    (
        "checksum-distance-sufficient",
        "note",
        "Each CRC for which the layout requires no distance covers no more bytes than it keeps a Hamming distance of 4 over, or of 2 below 24 bits.",
    ),
    (
        "checksum-rejects-blank",
        "warning",
        "Over a range that is all erased, or all zero, each checksum comes out as something other than what an erased, or zero, place of its own would read.",
    ),
    (
        "checksums-match",
        "error",
        "Every checksum in the image is that of the bytes it covers, by its algorithm, feed and byte order.",
    ),
    (
        "cleared-data-cleared-whole",
        "warning",
        "Each section of cleared data in a core's own RAM that start-up code begins to clear, by the build's zero table or the usual symbols, is cleared up to the last object in it, and each section that is named as cleared data (.bss, COMMON) is cleared at all; sections whose names say that they keep their content, heaps and stacks are left alone.",
    ),
    (
        "code-runs-where-stored",
        "error",
        "Each segment of a build whose run address is in flash or rom, as its core sees it, is stored at that place.",
    ),
    (
        "contract-constants-equal",
        "error",
        "Each constant that a contract names has one value in all builds: of the symbol, as the image holds its bytes, or else of the enumerator, as the debug information shows.",
    ),
    (
        "contract-symbols-agree",
        "error",
        "Each symbol that a contract names is defined in every core's build, is inside the contract's area, at the same place through each core's view and the aliases, and has the same size.",
    ),
    (
        "contract-types-agree",
        "error",
        "Each type that a contract names is known to a build, and has in every build the same size, and every member the same name, offset, size, encoding, array bounds and bit field, every enumeration the same size, sign and values, as the debug information of each build shows, in every type inside it and, where the contract says follow_pointers, in what its pointers point at.",
    ),
    (
        "copied-build-in-run-area",
        "error",
        "A build with runs_in, as stored and padded, fits that RAM area, is linked to run there as its core sees it, and moves there as one block; data that its own start-up code moves on need only be stored in the block.",
    ),
    (
        "copied-build-left-alone",
        "error",
        "The RAM that a copied build fills, as its file, the record or the image's own bytes show, padding to whole write units included, is taken by no data, heap or stack of another core's build.",
    ),
    (
        "copy-constants-agree",
        "error",
        "The constants in the primary's code that the layout names as source, destination and length of the copy of a build (copied_by) hold, in the image, where it is stored, where it runs, and a length that takes in all of it and fits its area.",
    ),
    (
        "embedded-build-current",
        "error",
        "A copy of another build that the primary's build carries, found at that build's place, by its vector table or by its build id, equals the given build or has its build id.",
    ),
    (
        "entry-point-agrees",
        "note",
        "The entry point of each build's file is the reset handler in its vector table.",
    ),
    (
        "erase-blocks-apart",
        "error",
        "No two areas of a flash memory are in the same erase block, except those of one build, and for record and seal, which every update writes together.",
    ),
    (
        "extension-demands-fit-core",
        "error",
        "Each extension in a build's attributes is one that its core has: DSP, vectors, division, unaligned accesses, pointer authentication, security.",
    ),
    (
        "file-entry-is-reset-handler",
        "error",
        "The start address that an image's file names is the reset handler in the primary's vector table, if it names one.",
    ),
    (
        "file-headers-not-stored",
        "warning",
        "No segment of a build, and no build's place in the image, begins with the header of an ELF file.",
    ),
    (
        "flash-words-programmed",
        "warning",
        "In each build as stored and in each range of a checksum, the image holds bytes of every write unit.",
    ),
    (
        "float-demands-fit-core",
        "error",
        "The floating-point unit, precision and way of passing arguments in a build's attributes are ones that its core has.",
    ),
    (
        "float-enabled-before-use",
        "warning",
        "From its reset handler on, function by function in the order of their calls, code of a core with a floating-point unit stores to the coprocessor access register before the first floating-point instruction.",
    ),
    (
        "handlers-at-function-starts",
        "error",
        "The reset handler and every other handler that is in code of its own build is an address at which that build's file has a function or a label, not one inside a function of known size, inside an instruction or among a function's constants; without the file, one at which bytes read as code.",
    ),
    (
        "handlers-executable",
        "error",
        "The reset handler and every other handler that in its own build is in a segment which that build's ELF file marks as executable, in a section, and not where its symbols say that data is.",
    ),
    (
        "handlers-in-code",
        "error",
        "Every word of a vector table that the core's architecture uses, after the first two, is zero or the address, with bit 0 set, of code that the core runs: stored in one of its builds or copied from there to RAM.",
    ),
    (
        "heap-room-free",
        "error",
        "The heap that a build sets aside, by a section or by the usual symbols, overlaps no data, no code that runs from RAM and no stack of the same build.",
    ),
    (
        "image-bytes-in-order",
        "error",
        "What the builds given, or the record and the vector tables, have at a place is not found there with its bytes swapped in halfwords or words, shifted from there on, or at an alias of flash.",
    ),
    (
        "image-equals-builds",
        "error",
        "Each byte that a given build stores is in the image at its place, except where the layout writes a stamp or a checksum.",
    ),
    (
        "image-fits-policy",
        "error",
        "The record's product, vendor, class, layout digest and rollback counter are those that the receiver's policy (--policy) demands, where it demands any.",
    ),
    (
        "image-inside-areas",
        "error",
        "In flash, bytes outside every area and outside the places of stamps and checksums are the erased byte.",
    ),
    (
        "image-inside-memories",
        "error",
        "Every byte of the image is in a flash or rom memory of the layout, at its plain address.",
    ),
    (
        "initialised-data-copied",
        "warning",
        "Each byte that a build stores in flash for a run address in RAM is in a block that its start-up code copies, by its copy table or the usual symbols, or in the block that the primary copies.",
    ),
    (
        "initialised-data-in-ram",
        "error",
        "No section of initialised variables (.data) has its run address in flash or rom.",
    ),
    (
        "instructions-fit-core",
        "error",
        "Every instruction of a build, separated from data by the mapping symbols, is one that its core has, by its architecture and extensions in the layout, unless it is guarded by a test of the core's own state.",
    ),
    (
        "linked-by-current-regions",
        "error",
        "A build that defines gemel_regions_id, as the linker fragment of gemel export does, has the value that follows from the layout's regions of its core: their names, addresses, sizes and rights.",
    ),
    (
        "load-addresses-in-flash",
        "error",
        "Each segment of a build that has bytes to store has its load address in a flash or rom memory, as the programmer or the build's core sees it, or in the RAM area that the build is copied to.",
    ),
    (
        "memory-seen-through-one-alias",
        "error",
        "A build whose security the layout states uses each memory that has an alias through one window only, and through that of its security state where the two windows differ in address bit 28 alone.",
    ),
    (
        "primary-holds-vector-address",
        "note",
        "Somewhere in the stored bytes of the primary's builds, the address at which each secondary sees its vector table is an aligned word, or is put together by one instruction or a pair of them.",
    ),
    (
        "primary-vectors-at-reset",
        "error",
        "The address at which the primary fetches its vectors at reset, an alias of flash or not, is that of the vector table of one of its builds.",
    ),
    (
        "ram-claims-apart",
        "error",
        "No byte of RAM outside the shared areas is taken at run time by builds of two cores, for data, copied code, heap or stack, whatever address each core sees it at.",
    ),
    (
        "ram-claims-in-own-areas",
        "error",
        "The memory that each segment of a build, its heap and its stack take at run time, as its core sees it, is in RAM that this core owns or in the area that the build is copied to; a segment, or a section in one, may be as a whole in shared areas.",
    ),
    (
        "record-digests-match",
        "error",
        "The CRC-32 and the SHA-256 of each build's stored span are those that the record holds.",
    ),
    (
        "record-of-these-builds",
        "error",
        "For each given build, the record's stored span, run address and vector address are those of the build, and where its ELF file has no build id the record names none (build-ids-equal compares two).",
    ),
    (
        "record-of-this-layout",
        "error",
        "The record names the layout's product, vendor and class ids, the SHA-256 of this layout and its builds, each for its core, inside its area, and with the run address and vector address that follow from the layout.",
    ),
    (
        "record-sound",
        "error",
        "The record's area begins with a record of a format that is known, whose sizes, texts, reserved bytes and own CRC are right.",
    ),
    (
        "rehearsal-passes",
        "error",
        "The reset code of every core, run from the image's own bytes in an emulated device, releases the secondary at its vectors and goes on without a fault, a forbidden access or a hang.",
    ),
    (
        "release-registers-in-device",
        "warning",
        "The two registers by which the primary releases each secondary are whole words inside a memory of kind device, as the primary sees it.",
    ),
    (
        "release-value-agrees",
        "warning",
        "Code of the primary writes the control register of each secondary; where it stores constants there, or sets or clears bits of it, one of these stores leaves the value that the layout says releases that core, with the key where there is one; where it stores constants to its vector register, one of them is the address of its vector table.",
    ),
    (
        "required-handlers-present",
        "warning",
        "The words for NMI, HardFault, SVCall and PendSV of each build's vector table are not zero, whatever the profile of its core.",
    ),
    (
        "reserved-areas-untouched",
        "error",
        "An area of purpose reserved or settings holds no byte of the image, erased ones included.",
    ),
    (
        "reserved-vectors-zero",
        "note",
        "The words of each build's vector table that the architecture of its core reserves are zero, unless the layout writes a stamp or a checksum there.",
    ),
    (
        "reset-handler-in-code",
        "error",
        "The reset handler of each build, word 1 of its vector table, is an address inside the bytes that the build runs from, in memory that can be executed, with bit 0 set.",
    ),
    (
        "rest-digest-matches",
        "error",
        "The SHA-256 over all flash outside the builds' stored spans, the record itself, the seal and reserved areas, unwritten bytes counted as erased, is the one that the record holds.",
    ),
    (
        "rollback-not-lower",
        "error",
        "The record's rollback counter is not below the one of --at-least nor below that of the image given with --previous.",
    ),
    (
        "seal-algorithm-allowed",
        "error",
        "Each signer of the seal has an algorithm that layout and policy allow, and a trusted key its own.",
    ),
    (
        "seal-by-trusted-key",
        "error",
        "At least one signer of the seal is a key that the layout trusts and the command line does not leave out.",
    ),
    (
        "seal-over-this-record",
        "error",
        "The signature of each signer with a trusted key holds over the record's exact bytes.",
    ),
    (
        "seal-present",
        "error",
        "Where the layout or the receiver (--trust, --policy) requires a seal, its area holds something.",
    ),
    (
        "seal-signers-known",
        "error",
        "The key of every signer of the seal is one that is trusted or that the layout names, except for as many signers as unknown_signers in [seal] and in the policy allow.",
    ),
    (
        "seal-signers-sufficient",
        "error",
        "As many signers as layout and policy demand have a trusted key, an allowed algorithm and a signature that holds, and where one demands a pair, one classical and one ML-DSA signature are among them.",
    ),
    (
        "seal-well-formed",
        "error",
        "The seal's area begins with a seal in its one deterministic form, and every byte after it is erased.",
    ),
    (
        "secure-entries-agree",
        "error",
        "Each secure function that a non-secure build was linked with, an absolute symbol from the import library, is one that a secure build offers, at the address of its gateway there.",
    ),
    (
        "secure-fault-vector-unused",
        "warning",
        "Word 7 of the vector table of a build for an Armv8-M Baseline core is zero.",
    ),
    (
        "shared-areas-initialised-by-one",
        "error",
        "No byte of a shared area gets an initial value from the builds of two cores, as the segments that are stored for it show.",
    ),
    (
        "shared-atomics-alike",
        "note",
        "An object that is atomic in one of two builds that share it is atomic in the other, as their debug information says.",
    ),
    (
        "shared-data-attributes-agree",
        "warning",
        "Two builds that both have data in shared areas say the same of the size of enumerations and of wchar_t, the alignment of 8-byte data and the format of 16-bit floating point, unless the debug information of both shows every shared type exactly.",
    ),
    (
        "shared-objects-guarded-alike",
        "warning",
        "An object that two builds share is volatile or atomic, or has members that are, in both builds or in neither, as their debug information says; Rust, where each access says it, is left alone.",
    ),
    (
        "shared-symbols-agree",
        "error",
        "Every global object that the builds of two cores have under one name in shared areas is at one place and has one size and one type, except as far as a contract names it and says so already.",
    ),
    (
        "shared-values-not-private",
        "warning",
        "No word that a build brings as an initial value for a shared area is the address of an object of that build in RAM of its own core.",
    ),
    (
        "stack-has-room",
        "error",
        "Below the initial stack pointer of each build, down to the next byte that its own data, heap or code or another core's build takes, or to the start of its RAM, there is at least the stack that the build states, or one exception frame where it states none.",
    ),
    (
        "stack-limit-below-stack",
        "error",
        "A constant that code puts into the main stack pointer limit register is inside the area in which the stack grows, and below the initial stack pointer.",
    ),
    (
        "stack-pointer-aligned",
        "error",
        "The initial stack pointer of each build, word 0 of its vector table, is a multiple of 8.",
    ),
    (
        "stack-pointer-in-own-ram",
        "error",
        "The initial stack pointer of each build, word 0 of its vector table, is above the start and at most at the end of an area of RAM that its core owns, at the addresses at which that core sees it.",
    ),
    (
        "stamps-match",
        "error",
        "Every stamp's bytes in the image are those of the value that the layout gives it.",
    ),
    (
        "start-clears-own-ram",
        "error",
        "Each block that start-up code clears, by the build's zero table or the usual symbols at its ends, is in RAM that its core owns, of a secondary outside shared areas, and over no byte that the image stores for the build, be it initialised data or code that runs from RAM; symbols do not make it reach over the end of all sections to the stack that the core starts with (the primary may clear what is shared, since it does so before it releases another core).",
    ),
    (
        "start-copies-into-own-ram",
        "error",
        "Each block that start-up code copies, by the build's copy table or the usual symbols at its ends, goes to RAM that its core owns, or to the area that a copied build runs in, and in shared areas over nothing but data that the build itself stores for them.",
    ),
    (
        "start-copies-stored-data",
        "error",
        "Each block of initialised data that start-up code copies to RAM, by the build's copy table or the usual symbols at its ends, is copied from the place at which the image stores those bytes, and ends where these end.",
    ),
    (
        "swept-instructions-fit-core",
        "warning",
        "Where a build's symbols are not given, every instruction in its code areas is one that its core has: what branches and calls from its vectors lead to, and whatever else there reads as code.",
    ),
    (
        "unassigned-flash-unwritten",
        "note",
        "In flash outside every area, and outside what stamps and checksums need, the image names no byte, erased ones included.",
    ),
    (
        "vector-register-own-table",
        "error",
        "Where code puts a constant into the vector table offset register, that address is the vector table of a build of the same core, another table of it in flash, or in RAM that the core owns, aligned for its interrupts.",
    ),
    (
        "vector-table-aligned",
        "error",
        "The address at which each build's core finds its vector table is a multiple of the table's size rounded up to a power of two, of at least 128 bytes, and of what the layout demands (vector_alignment).",
    ),
    (
        "vector-table-complete",
        "error",
        "All words of each build's vector table, 16 and one for each interrupt of its core, are inside the bytes that the build stores.",
    ),
    (
        "vector-table-not-blank",
        "error",
        "The first two words of each build's vector table, where the layout says it is, are not both erased and not both zero, and no build id note and no code is there instead.",
    ),
    (
        "vectors-of-own-build",
        "error",
        "The vector table of each build in the image is the one in that build's file, word by word, and so not that of another build.",
    ),
    (
        "veneers-aligned",
        "error",
        "The veneers of a secure build, by the section .gnu.sgstubs of its ELF file, begin at a multiple of 32 bytes.",
    ),
    (
        "veneers-in-callable-area",
        "error",
        "Each gateway of a secure build, by its symbols, is in an area that the layout calls non-secure-callable.",
    ),
    (
        "veneers-lead-to-entries",
        "error",
        "Each function that a secure build offers has a gateway, which is SG followed by a branch to that very function.",
    ),
    (
        "version-as-asked",
        "error",
        "The record's version and rollback counter are those that were required, and the counter is at least the layout's.",
    ),
    (
        "write-units-whole",
        "warning",
        "Each run of bytes that the image holds in flash starts and ends on a multiple of the memory's write unit.",
    ),
    (
        "written-places-free",
        "error",
        "At the place of each stamp and checksum, no given build stores bytes other than erased ones or zeros, or the place is inside the symbol that it is given by.",
    ),
)
