#!/usr/bin/python3
"""A Modbus server that is not ours: pymodbus, with the published floats in all four byte orders.

usage: pymodbus_server.py tcp PORT TABLE.csv | rtu DEVICE TABLE.csv

Unit 1; register 100 * order + 2 * row, orders ABCD, CDAB, BADC, DCBA; holding and input registers alike.
Works with pymodbus 3.0 (Debian 12) and 3.8 (Debian 13), whose arguments differ.
"""
import asyncio
import csv
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer

COLUMNS = ["ABCD_big_endian", "CDAB_word_swapped", "BADC_byte_swapped", "DCBA_little_endian"]


def registers(path):
    cells = [0] * 400
    with open(path, newline="") as table:
        for row, line in enumerate(csv.DictReader(table)):
            for order, column in enumerate(COLUMNS):
                data = bytes.fromhex(line[column])
                at = 100 * order + 2 * row
                cells[at : at + 2] = [data[0] << 8 | data[1], data[2] << 8 | data[3]]
    return cells


def context(cells):
    try:
        block = ModbusSequentialDataBlock(0, cells)
        slave = ModbusSlaveContext(hr=block, ir=block, zero_mode=True)
    except TypeError:  # newer: always counts from one
        block = ModbusSequentialDataBlock(1, cells)
        slave = ModbusSlaveContext(hr=block, ir=block)
    return ModbusServerContext(slaves={1: slave}, single=False)


async def main():
    kind, where, table = sys.argv[1:4]
    served = context(registers(table))
    if kind == "tcp":
        await StartAsyncTcpServer(context=served, address=("127.0.0.1", int(where)))
        return
    try:
        from pymodbus.transaction import ModbusRtuFramer as framer
    except ImportError:
        framer = "rtu"
    await StartAsyncSerialServer(context=served, framer=framer, port=where, baudrate=19200, parity="N")


asyncio.run(main())
