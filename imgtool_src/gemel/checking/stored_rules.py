"""Fields of our rules that are asked of every one, so that only those are imported that something needs.

Made from the rules by ``tests/check/make_stored_rules.py``; a test compares.
"""

from __future__ import annotations

FIELDS: dict[str, dict[str, str | bool]] = {
    "addressed-constants-stored": {
        "checks": "No address that a build's code holds leads into a gap between its sections in flash, or to just after the last one, where a section was left out; gaps that a linker script makes do not count; no branch of it leads to erased flash of its own area.",
        "absent": "the layout has no build",
        "of_elf": True,
    },
    "area-bytes-accounted-for": {
        "severity": "warning",
        "checks": "In each area of flash for code or data whose builds are all given, every byte that no build stores and that belongs to no stamp or checksum is erased, or part of a fill of 0x00 or 0xFF.",
        "absent": "the layout has no area of purpose code or data in flash",
    },
    "areas-on-write-units": {
        "checks": "Each area of a flash memory starts and ends on a multiple of the memory's write unit.",
        "absent": "the layout has no area in flash",
    },
    "attribution-on-sau-units": {
        "checks": "Each area whose security the layout states starts and ends at a multiple of 32 bytes.",
        "absent": "the layout states the security of no area",
        "only_with": "security",
    },
    "boot-constant-agrees": {
        "checks": "The constant in the primary's code that each contract names as boot_symbol holds, in the image, the address at which a secondary sees its own vector table, or that of another build of the same core, such as a boot loader; no secondary lacks such a constant while another has two; in a table of several fields one field holds it.",
        "absent": "the layout has no secondary core, and no second build for the core of a constant",
    },
    "build-architecture-fits-core": {
        "checks": "The architecture and profile in a build's attributes are those of its core, or ones whose code it can run, unless all code beyond that is guarded by a test of the core's own state.",
        "absent": "the layout has no build",
        "of_elf": True,
    },
    "build-demands-understood": {
        "checks": "A build's attributes hold no tag below 64 (modulo 128) that the standard does not define, and no arrangement outside it.",
        "absent": "the layout has no build",
        "of_elf": True,
    },
    "build-ids-equal": {
        "guards": "image",
        "checks": "The build id note at each build's place in the image and the build id in the record are those of the given build, or, where none is given, equal.",
        "absent": "the layout has no build",
    },
    "builds-in-own-areas": {
        "checks": "Every byte that a build stores in flash is in the area that the layout gives it, except for the primary's copy of a secondary's build at the place of that build.",
        "absent": "the layout has no build",
    },
    "builds-inside-own-attribution": {
        "checks": "The memory in which a build is stored, from which it runs and which it uses at run time, its initial stack included, is in secure areas for a secure build and in non-secure areas for a non-secure one; what a secure build shares may be in a non-secure area too; the regions of the attribution unit, as far as code of the secure build shows them, cover what a non-secure build takes and all veneers, and no part of a secure area.",
        "absent": "the layout states the security of no build's area",
        "only_with": "security",
    },
    "callable-area-holds-only-veneers": {
        "checks": "A non-secure-callable area of the image holds veneers in units of 32 bytes filled up with zeros, and otherwise nothing but zeros and erased bytes, with the instruction SG nowhere else at an even address.",
        "absent": "the layout has no area that is non-secure-callable",
        "only_with": "security",
    },
    "checksum-distance-as-asked": {
        "severity": "warning",
        "checks": "Each CRC keeps the Hamming distance that the layout requires (hamming_distance) over all the bytes that it covers.",
        "absent": "the layout declares no checksum with a hamming_distance",
        "only_with": "checksums",
    },
    "checksum-distance-sufficient": {
        "severity": "note",
        "checks": "Each CRC for which the layout requires no distance keeps a Hamming distance of 4, or of 2 below 24 bits, over all the bytes that it covers.",
        "absent": "the layout declares no checksum without a hamming_distance",
        "only_with": "checksums",
    },
    "checksum-rejects-blank": {
        "severity": "warning",
        "checks": "Over a range that is all erased, or all zero, no checksum equals what its own place reads when that is erased, or zero.",
        "absent": "the layout declares no checksum",
        "only_with": "checksums",
    },
    "checksums-match": {
        "guards": "image",
        "checks": "Every checksum in the image is that of the bytes it covers, by its algorithm, feed and byte order.",
        "absent": "the layout declares no checksum",
        "only_with": "checksums",
    },
    "cleared-data-cleared-whole": {
        "severity": "warning",
        "checks": "Each section of cleared data in a core's own RAM that start-up code begins to clear, by the build's zero table or the usual symbols, is cleared up to the last object in it, and each section that is named as cleared data (.bss, COMMON, ZI), or any with objects where start-up code copies data and clears none, is cleared at all; sections whose names say that they keep their content, heaps and stacks are left alone.",
        "of_elf": True,
    },
    "code-runs-where-stored": {
        "checks": "Each segment of a build whose run address is in flash or rom, as its core sees it, is stored at that place.",
        "absent": "the layout has no build",
        "of_elf": True,
    },
    "contract-constants-equal": {
        "checks": "Each constant that a contract names has one value in all builds: of the symbol, as the image holds its bytes, or else of the enumerator, as the debug information shows.",
        "absent": "no contract names a constant, or the layout has a single build",
        "only_with": "contracts",
    },
    "contract-symbols-agree": {
        "checks": "Each symbol that a contract names is defined in every core's build, is inside the contract's area, at the same place through each core's view and the aliases, and has the same size.",
        "absent": "no contract names a symbol, or the layout has a single build",
        "only_with": "contracts",
    },
    "contract-types-agree": {
        "checks": "Each type that a contract names is known to a build, and has in every build the same size, and every member the same name, offset, size, encoding, array bounds and bit field, every enumeration the same size, sign and values, as the debug information of each build shows, in every type inside it and, where the contract says follow_pointers, in what its pointers point at.",
        "absent": "no contract names a type, or the layout has a single build",
        "only_with": "contracts",
    },
    "copied-build-in-run-area": {
        "checks": "A build with runs_in, as stored and padded, fits that RAM area, is linked to run there as its core sees it, and is copied there as one block; data that its own start-up code copies further need only be stored in the block.",
        "absent": "no build of the layout is copied to RAM (runs_in)",
        "only_with": "copied builds",
    },
    "copied-build-left-alone": {
        "checks": "The RAM that a copied build fills, as its file, the record or the image's own bytes show, padding to whole write units included, is taken by no data, heap or stack of another core's build.",
        "absent": "no build of the layout is copied to RAM (runs_in), or there is no build of another core",
        "only_with": "copied builds",
    },
    "copy-constants-agree": {
        "checks": "The constants in the primary's code that the layout names as source, destination and length of the copy of a build (copied_by) hold, in the image, where it is stored, where it runs, and a length that covers all of it and fits its area.",
        "absent": "no build of the layout names the constants of its copy (copied_by)",
        "only_with": "copied builds",
    },
    "embedded-build-current": {
        "checks": "A copy of another build that the primary's build carries, found at that build's place, by its vector table or by its build id, equals the given build or has its build id.",
        "absent": "the layout has one build only",
    },
    "entry-point-agrees": {
        "severity": "note",
        "checks": "The entry point of each build's file is the reset handler in its vector table.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "erase-blocks-apart": {
        "checks": "No two areas of a flash memory are in the same erase block, except areas of one build, and record and seal, which every update writes together.",
        "absent": "the layout has no area in flash",
    },
    "extension-demands-fit-core": {
        "checks": "Each extension in a build's attributes is one that its core has: DSP, vectors, division, unaligned accesses, pointer authentication, security.",
        "absent": "the layout has no build",
        "of_elf": True,
    },
    "file-entry-is-reset-handler": {
        "guards": "image",
        "checks": "The start address that the image's file names, if any, is the reset handler in the primary's vector table.",
        "absent": "the image's file names no start address",
    },
    "file-headers-not-stored": {
        "severity": "warning",
        "checks": "No segment of a build, and no build's place in the image, begins with the header of an ELF file.",
        "absent": "the layout has no build",
    },
    "flash-words-programmed": {
        "severity": "warning",
        "checks": "In each build as stored and in each range of a checksum, the image holds bytes of every write unit.",
        "absent": "the layout has no build and no checksum",
    },
    "float-demands-fit-core": {
        "checks": "The floating-point unit, precision and calling convention in a build's attributes are ones that its core has.",
        "absent": "the layout has no build",
        "of_elf": True,
    },
    "float-enabled-before-use": {
        "severity": "warning",
        "checks": "From its reset handler on, function by function in the order of their calls, code of a core with a floating-point unit stores to the coprocessor access register before the first floating-point instruction, and no such instruction follows on the store in one stretch of code without an ISB.",
        "absent": "no core has a floating-point unit, by its extensions in the layout",
    },
    "handlers-at-function-starts": {
        "checks": "The reset handler and every other handler that is in code of its own build is an address at which that build's file has a function or a label, not one inside a function of known size, inside an instruction or among a function's constants; without the file, one at which bytes read as code.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "handlers-executable": {
        "checks": "Each handler in its own build, the reset handler included, is in a segment that the build's ELF file marks as executable, in a section, and not where its symbols say that data is.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "handlers-in-code": {
        "checks": "Every word of a vector table that the core's architecture uses, after the first two, is zero or the address, with bit 0 set, of code that the core runs: stored in one of its builds or copied from there to RAM.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "heap-room-free": {
        "checks": "The heap that a build sets aside, by a section or by the usual symbols, overlaps no data, no code that runs from RAM and no stack of the same build.",
        "absent": "no build whose symbols are given sets a heap aside",
        "of_elf": True,
    },
    "image-bytes-in-order": {
        "checks": "What the builds given, or the record and the vector tables, have at a place is not found there with its bytes swapped in halfwords or words, shifted from there on, or at an alias of flash; the image was not converted as text (encoding, seven bits, line ends), and not every byte of it is the same.",
        "absent": "never: it applies to every image",
    },
    "image-equals-builds": {
        "guards": "image",
        "checks": "Each byte that a given build stores is in the image at its place, except where the layout writes a stamp or a checksum; gaps between its sections may have another fill.",
        "absent": "the layout has no build",
    },
    "image-fits-policy": {
        "guards": "image",
        "checks": "The record's product, vendor, class, layout digest and rollback counter are those that the receiver's policy (--policy) demands, where it demands any.",
        "absent": "the policy demands nothing of the record",
    },
    "image-inside-areas": {
        "guards": "image",
        "checks": "In flash, bytes outside every area and outside the places of stamps and checksums are the erased byte.",
        "absent": "the layout has no flash or rom memory",
    },
    "image-inside-memories": {
        "guards": "image",
        "checks": "Every byte of the image is in a flash or rom memory of the layout, at its plain address.",
        "absent": "the image holds no byte",
    },
    "initialised-data-copied": {
        "severity": "warning",
        "checks": "Each byte that a build stores in flash for a run address in RAM is in a block that its start-up code copies, by its copy table or the usual symbols, or in the block that the primary copies.",
        "absent": "no build stores bytes for RAM and shows by symbols what it copies",
        "of_elf": True,
    },
    "initialised-data-in-ram": {
        "checks": "No section of initialised variables (.data, or any that code writes from reset on and that has no erase block of its own) has its run address in flash or rom.",
        "absent": "no build has a section of initialised variables",
        "of_elf": True,
    },
    "instructions-fit-core": {
        "checks": "Every instruction of a build, separated from data by the mapping symbols, is one that its core has, by its architecture and extensions in the layout, unless it is guarded by a test of the core's own state.",
        "absent": "the layout has no build",
    },
    "linked-by-current-regions": {
        "checks": "A build that defines gemel_regions_id, as the linker fragment of gemel export does, has the value that follows from the layout's regions of its core: their names, addresses, sizes and rights.",
        "absent": "no given build defines gemel_regions_id",
    },
    "load-addresses-in-flash": {
        "checks": "Each segment of a build that has bytes to store has its load address in a flash or rom memory, as the programmer or the build's core sees it, or in the RAM area that the build is copied to.",
        "absent": "the layout has no build",
    },
    "memory-seen-through-one-alias": {
        "checks": "A build whose security the layout states uses each memory that has an alias through one window only, and through that of its security state where the two windows differ in address bit 28 alone; what is in a shared area that is non-secure, through the non-secure one.",
        "absent": "the layout states no security, or the builds use no memory that has an alias",
        "only_with": "security",
    },
    "primary-holds-vector-address": {
        "severity": "note",
        "checks": "Somewhere in the stored bytes of the primary's builds, the address at which each secondary sees its vector table is an aligned word, word 0 of a vector table excepted, or is put together by one instruction or a pair of them, or is what code is known to write to the vector register, be it one of a few values by what a device answers.",
        "absent": "no secondary core has a build in an area of purpose code",
    },
    "primary-vectors-at-reset": {
        "checks": "The address at which the primary fetches its vectors at reset, an alias of flash or not, is that of the vector table of one of its builds.",
        "absent": "the layout has no primary core",
    },
    "ram-claims-apart": {
        "checks": "No byte of RAM outside the shared areas is taken at run time by builds of two cores, for data, copied code, heap or stack, whatever address each core sees it at.",
        "absent": "the layout has no builds of two cores",
    },
    "ram-claims-in-own-areas": {
        "checks": "The memory that each segment of a build, its heap and its stack take at run time, as its core sees it, is in RAM that this core owns or in the area that the build is copied to; a segment, or a section in one, may be as a whole in shared areas.",
        "absent": "the layout has no build",
        "of_elf": True,
    },
    "record-digests-match": {
        "guards": "image",
        "checks": "The CRC-32 and the SHA-256 of each build's stored span are those that the record holds.",
        "absent": "the layout has no record",
    },
    "record-of-these-builds": {
        "guards": "image",
        "checks": "For each given build, the record's stored span, run address and vector address are those of the build, and where its ELF file has no build id the record names none (build-ids-equal compares two).",
        "absent": "the layout has no record",
    },
    "record-of-this-layout": {
        "guards": "image",
        "checks": "The record names the layout's product, vendor and class ids, the SHA-256 of this layout with the record's version and rollback counter or its own, and its builds, each for its core, inside its area, and with the run address and vector address that follow from the layout.",
        "absent": "the layout has no record",
    },
    "record-sound": {
        "guards": "image",
        "checks": "The record's area begins with a record of a known format, whose sizes, texts, reserved bytes and own CRC are right.",
        "absent": "the layout has no record",
    },
    "rehearsal-passes": {
        "checks": "The reset code of every core, run from the image's own bytes in an emulated device, releases the secondary at its vectors and goes on without a fault, a forbidden access or a hang.",
        "absent": "no rehearsal was made",
    },
    "release-registers-in-device": {
        "severity": "warning",
        "checks": "The two registers by which the primary releases each secondary are whole words inside a memory of kind device, as the primary sees it.",
        "absent": "the layout has no secondary core",
    },
    "release-value-agrees": {
        "severity": "warning",
        "checks": "Code of the primary writes the control register of each secondary; where it stores constants there, or sets or clears bits of it, one of these stores leaves the value that the layout says releases that core, with the key where there is one; where it stores constants to its vector register, or one of a few values by what a device answers, one of them is the address of its vector table.",
        "absent": "no secondary has a release",
    },
    "required-handlers-present": {
        "severity": "warning",
        "checks": "The words for NMI, HardFault, SVCall and PendSV of each build's vector table are not zero, whatever the profile of its core.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "reserved-areas-untouched": {
        "guards": "image",
        "checks": "An area of purpose reserved or settings holds no byte of the image, erased ones included.",
        "absent": "the layout has no area of purpose reserved or settings",
    },
    "reserved-vectors-zero": {
        "severity": "note",
        "checks": "The words of each build's vector table that the architecture of its core reserves are zero, unless the layout writes a stamp or a checksum there.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "reset-handler-in-code": {
        "checks": "The reset handler of each build, word 1 of its vector table, is an address inside the bytes that the build runs from, in memory that can be executed, with bit 0 set, and not main or another word's handler where that leaves initialised data uninitialised.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "rest-digest-matches": {
        "guards": "image",
        "checks": "The SHA-256 over all flash outside the builds' stored spans, the record itself, the seal and reserved areas, unwritten bytes counted as erased, is the one that the record holds.",
        "absent": "the layout has no record",
    },
    "rollback-not-lower": {
        "guards": "image",
        "checks": "The record's rollback counter is at least that of --at-least and at least that of the image given with --previous; where it equals that image's, the version is at least that image's too.",
    },
    "seal-algorithm-allowed": {
        "guards": "image",
        "checks": "Each signer of the seal uses an algorithm that layout and policy allow, and each trusted key its own.",
        "absent": "the layout has no seal",
        "only_with": "seal",
    },
    "seal-by-trusted-key": {
        "guards": "image",
        "checks": "At least one signer of the seal is a key that the layout trusts and the command line does not leave out.",
        "absent": "the layout has no seal",
        "only_with": "seal",
    },
    "seal-over-this-record": {
        "guards": "image",
        "checks": "The signature of each signer with a trusted key holds over the record's exact bytes.",
        "absent": "the layout has no seal",
        "only_with": "seal",
    },
    "seal-present": {
        "guards": "image",
        "checks": "Where the layout or the receiver (--trust, --policy) requires a seal, its area holds something.",
        "absent": "the layout has no seal",
        "only_with": "seal",
    },
    "seal-signers-known": {
        "guards": "image",
        "checks": "The key of every signer of the seal is one that is trusted or that the layout names, except for as many signers as unknown_signers in [seal] and in the policy allow.",
        "absent": "the layout has no seal",
        "only_with": "seal",
    },
    "seal-signers-sufficient": {
        "guards": "image",
        "checks": "As many signers as layout and policy demand have a trusted key, an allowed algorithm and a signature that holds, and where one demands a pair, one classical and one ML-DSA signature are among them.",
        "absent": "the layout has no seal",
        "only_with": "seal",
    },
    "seal-well-formed": {
        "guards": "image",
        "checks": "The seal's area begins with a seal in its one deterministic form, and every byte after it is erased.",
        "absent": "the layout has no seal",
        "only_with": "seal",
    },
    "secure-entries-agree": {
        "checks": "Each secure function that a non-secure build was linked with, an absolute symbol from the import library, is one that a secure build offers, at the address of its gateway there, and its code calls no other address in secure memory.",
        "absent": "no two builds of the layout are stored in a secure and a non-secure area, or none calls the other",
        "only_with": "security",
    },
    "secure-fault-vector-unused": {
        "severity": "warning",
        "checks": "Word 7 of the vector table of a build for an Armv8-M Baseline core is zero.",
        "absent": "no build in a code area runs on an armv8-m.base core",
    },
    "shared-areas-initialised-by-one": {
        "checks": "No byte of a shared area gets an initial value from the builds of two cores, as the segments that are stored for it show.",
        "absent": "the layout has no shared area, or a single build",
        "only_with": "shared areas",
        "of_elf": True,
    },
    "shared-atomics-alike": {
        "severity": "note",
        "checks": "An object that is atomic in one of two builds that share it is atomic in the other, as their debug information says.",
        "absent": "no two builds have an object of one name in a shared area, or none has debug information",
        "only_with": "shared areas",
    },
    "shared-data-attributes-agree": {
        "severity": "warning",
        "checks": "Two builds that both have data in shared areas agree on the size of enumerations and of wchar_t, the alignment of 8-byte data and the format of 16-bit floating point, unless the debug information of both shows every shared type exactly.",
        "absent": "no two builds have data in shared areas",
        "only_with": "shared areas",
        "of_elf": True,
    },
    "shared-objects-guarded-alike": {
        "severity": "warning",
        "checks": "An object that two builds share is volatile or atomic, or has the same members that are, in both builds or in neither, as their debug information says; Rust, where each access says it, is left alone.",
        "absent": "no two builds have an object of one name in a shared area, or none has debug information",
        "only_with": "shared areas",
    },
    "shared-symbols-agree": {
        "checks": "Every global object that the builds of two cores have under one name in shared areas is at one place and has one size and one type, except as far as a contract names it and says so already; of objects with different names that take the same bytes, one is inside the other.",
        "absent": "no two cores have objects in shared areas that no contract names",
        "only_with": "shared areas",
        "of_elf": True,
    },
    "shared-values-not-private": {
        "severity": "warning",
        "checks": "No word that a build brings as an initial value for a shared area is the address of an object of that build in RAM of its own core.",
        "absent": "no build brings initial data for a shared area",
        "of_elf": True,
    },
    "stack-has-room": {
        "checks": "Below the initial stack pointer of each build, down to the next byte that its own data, heap or code or another core's build takes, or to the start of its RAM, there is at least the stack that the build states, or one exception frame where it states none.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "stack-limit-below-stack": {
        "checks": "A constant that code puts into the main stack pointer limit register, its own or that of the non-secure state, is inside the area in which that stack grows, and an exception's frame or more below the initial stack pointer.",
        "absent": "no build's code puts a constant into the register",
        "of_elf": True,
    },
    "stack-pointer-aligned": {
        "checks": "The initial stack pointer of each build, word 0 of its vector table, is a multiple of 8.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "stack-pointer-in-own-ram": {
        "checks": "The initial stack pointer of each build, word 0 of its vector table, is above the start and at most at the end of an area of RAM that its core owns, at the addresses at which that core sees it.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "stamps-match": {
        "guards": "image",
        "checks": "Every stamp's bytes in the image are those of the value that the layout gives it.",
        "absent": "the layout declares no stamp",
        "only_with": "stamps",
    },
    "start-clears-own-ram": {
        "checks": "Each block that start-up code clears, by the build's zero table or the usual symbols at its ends, is in RAM that its core owns, of a secondary outside shared areas, and over no byte that the image stores for the build, be it initialised data or code that runs from RAM; symbols do not make it reach over the end of all sections to the stack that the core starts with (the primary may clear what is shared, since it does so before it releases another core).",
        "of_elf": True,
    },
    "start-copies-into-own-ram": {
        "checks": "Each block that start-up code copies, by the build's copy table or the usual symbols at its ends, goes to RAM that its core owns, or to the area that a copied build runs in, and in shared areas over nothing but data that the build itself stores for them.",
        "of_elf": True,
    },
    "start-copies-stored-data": {
        "checks": "Each block of initialised data that start-up code copies to RAM, by the build's copy table or the usual symbols at its ends, is copied from the place at which the image stores those bytes, and ends where these end.",
        "of_elf": True,
    },
    "swept-instructions-fit-core": {
        "severity": "warning",
        "checks": "Where a build's symbols are not given, every instruction in its code areas is one that its core has: what branches and calls from its vectors lead to, and whatever else there reads as code.",
        "absent": "no build has to do without its symbols: instructions-fit-core looks at them",
    },
    "unassigned-flash-unwritten": {
        "severity": "note",
        "guards": "image",
        "checks": "In flash outside every area, and outside what stamps and checksums need, the image holds no byte, erased ones included.",
        "absent": "the layout has no flash or rom memory",
    },
    "vector-register-own-table": {
        "checks": "Where code puts a constant into the vector table offset register (VTOR), that address is the vector table of its own build, of another build of the same core into which it goes on, another table of it in flash, or in RAM that the core owns, aligned for its interrupts and filled by code or initial data; where code takes its stack pointer from a build's area, as a boot loader does that goes on there, a table of this core is there.",
        "absent": "no build's code puts a constant into the register",
        "of_elf": True,
    },
    "vector-table-aligned": {
        "checks": "The address at which each build's core finds its vector table is a multiple of the table's size rounded up to a power of two, of at least 128 bytes, and of what the layout demands (vector_alignment).",
        "absent": "the layout has no build in an area of purpose code",
    },
    "vector-table-complete": {
        "checks": "All words of each build's vector table, 16 and one for each interrupt of its core, are inside the bytes that the build stores.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "vector-table-not-blank": {
        "checks": "The first two words of each build's vector table, where the layout says it is, are not both erased and not both zero, and no build id note and no code is there instead.",
        "absent": "the layout has no core",
    },
    "vectors-of-own-build": {
        "checks": "The vector table of each build in the image is the one in that build's file, word by word, and so not that of another build.",
        "absent": "the layout has no build in an area of purpose code",
    },
    "veneers-aligned": {
        "checks": "The veneers of a secure build, by the section .gnu.sgstubs of its ELF file, begin at a multiple of 32 bytes.",
        "absent": "the layout states no secure area, or no secure build has veneers (a section .gnu.sgstubs)",
        "only_with": "security",
    },
    "veneers-in-callable-area": {
        "checks": "Each gateway of a secure build, by its symbols, is in an area that the layout calls non-secure-callable.",
        "absent": "the layout states no secure area, or no secure build offers functions (symbols __acle_se_...)",
        "only_with": "security",
    },
    "veneers-lead-to-entries": {
        "checks": "Each function that a secure build offers has a gateway, which is SG followed by a branch to that very function.",
        "absent": "the layout states no secure area, or no secure build offers functions (symbols __acle_se_...)",
        "only_with": "security",
    },
    "version-as-asked": {
        "guards": "image",
        "checks": "The record's version and rollback counter are those that were required, and the counter is at least the layout's.",
        "absent": "the layout has no record",
    },
    "write-units-whole": {
        "severity": "warning",
        "checks": "Each run of bytes that the image holds in flash starts and ends on a multiple of the memory's write unit.",
        "absent": "the image holds no byte in flash",
    },
    "written-places-free": {
        "checks": "At the place of each stamp and checksum, no other stamp or checksum is written, and no given build stores bytes other than erased ones or zeros, or the place is inside the symbol that it is given by.",
        "absent": "the layout has no stamp and no checksum",
    },
}
