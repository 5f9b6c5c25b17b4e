"""The board itself: the only import of machine. Fills core's Inputs and drives what core's Outputs say; decides nothing.

Used of the port, and nothing else: machine's ADC, I2C (readfrom_mem_into, writeto_mem), PWM (duty_u16), Pin (value, irq),
Timer, WDT, disable_irq, enable_irq, reset, reset_cause, unique_id; onewire.OneWire (reset, writebyte, readbyte).
"""
