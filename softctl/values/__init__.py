"""Values that cross layers: IEC types, Modbus tables, register encoding, units."""
