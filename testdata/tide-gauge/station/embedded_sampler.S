@ The other team's delivery, carried along: sampler.bin comes from its ELF file.
        .section .sampler, "a", %progbits
        .incbin "sampler.bin"
