"""What one instruction is, needs and reads: its bytes, its capability, the registers and addresses that it computes."""
