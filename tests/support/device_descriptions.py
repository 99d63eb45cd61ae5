"""Descriptions of a device (SVD) for tests of drafts."""

from __future__ import annotations

TIMER = """
<peripheral><name>TIMER0</name><baseAddress>0x40010000</baseAddress>
 <addressBlock><offset>0</offset><size>0x100</size><usage>registers</usage></addressBlock>
 <registers>
  <register><name>CTRL</name><addressOffset>0</addressOffset><resetValue>0x10</resetValue></register>
  <register><name>STATUS</name><addressOffset>4</addressOffset><access>read-only</access>
   <resetValue>#1x01</resetValue></register>
  <register><name>KEY</name><addressOffset>8</addressOffset><access>write-only</access></register>
  <register><dim>3</dim><dimIncrement>4</dimIncrement><dimIndex>A,B,C</dimIndex><name>CC%s</name>
   <addressOffset>0x10</addressOffset></register>
  <cluster><dim>2</dim><dimIncrement>16</dimIncrement><name>CH[%s]</name><addressOffset>0x20</addressOffset>
   <register><name>LOW</name><addressOffset>0</addressOffset><size>8</size><resetValue>2</resetValue></register>
   <register><name>HIGH</name><addressOffset>1</addressOffset><size>8</size><resetValue>3</resetValue></register>
  </cluster>
  <register derivedFrom="CTRL"><name>CTRL2</name><addressOffset>0x60</addressOffset></register>
 </registers></peripheral>
<peripheral derivedFrom="TIMER0"><name>TIMER1</name><baseAddress>0x40011000</baseAddress></peripheral>
"""


def svd(peripherals: str, head: str = "", size: str = "<size>32</size>") -> bytes:
    """A device with these peripherals."""
    device = f"<device><name>gauge</name>{size}<peripherals>{peripherals}</peripherals></device>"
    return f'<?xml version="1.0" encoding="utf-8"?>\n{head}{device}'.encode()
