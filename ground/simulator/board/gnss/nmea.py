"""NMEA 0183 sentences, formatted as a u-blox receiver formats them by default (M8 receiver description, section 32).

Positions have five decimals of minutes, heights one decimal, speeds three, courses two. `version` 40 is what an M8
says; 41 (M10) appends the navigational status to RMC, the system to GSA and the signal to GSV.
"""

KNOT_MPS = 0.514444
_SYSTEM_IDS = {"GP": 1, "GL": 2, "GA": 3}
_SIGNAL_IDS = {"GP": 1, "GL": 1, "GA": 7}


def sentence(body):
    """`$`, body, checksum, CR LF. The checksum is the XOR of all characters between `$` and `*`."""
    data = body.encode()
    check = 0
    for byte in data:
        check ^= byte
    return b"$%s*%02X\r\n" % (data, check)


def angle(degrees, digits, positive, negative):
    """ddmm.mmmmm,N of an angle in degrees; whole-number rounding, so 59.999999 minutes never print as 60."""
    steps = int(abs(degrees) * 6000000 + 0.5)
    whole, minutes = steps // 6000000, steps % 6000000
    text = ("%%0%dd%%02d.%%05d,%%s" % digits) % (whole, minutes // 100000, minutes % 100000,
                                                positive if degrees >= 0 else negative)
    return text


def position(fix):
    """Latitude and longitude with their hemispheres, as RMC, GGA and GLL have them."""
    return angle(fix.latitude_deg, 2, "N", "S") + "," + angle(fix.longitude_deg, 3, "E", "W")


def rmc(fix, version):
    tail = ",V" if version >= 41 else ""
    if not fix.valid:
        where = position(fix) if fix.repeats else ",,,"
        return sentence("GNRMC,%s,V,%s,,,%s,,,N%s" % (fix.clock_text, where, fix.date_text, tail))
    course = "%.2f" % fix.course_deg if fix.course_known else ""
    return sentence("GNRMC,%s,A,%s,%.3f,%s,%s,,,A%s" % (
        fix.clock_text, position(fix), fix.speed_mps / KNOT_MPS, course, fix.date_text, tail))


def vtg(fix):
    if not fix.valid:
        return sentence("GNVTG,,,,,,,,,N")
    course = "%.2f" % fix.course_deg if fix.course_known else ""
    return sentence("GNVTG,%s,T,,M,%.3f,N,%.3f,K,A" % (course, fix.speed_mps / KNOT_MPS, fix.speed_mps * 3.6))


def gga(fix):
    if not fix.valid and fix.repeats:
        return sentence("GNGGA,%s,%s,0,00,99.99,%.1f,M,%.1f,M,," % (
            fix.clock_text, position(fix), fix.altitude_m, fix.geoid_separation_m))
    if not fix.valid:
        return sentence("GNGGA,%s,,,,,0,00,99.99,,,,,," % fix.clock_text)
    return sentence("GNGGA,%s,%s,1,%02d,%.2f,%.1f,M,%.1f,M,," % (
        fix.clock_text, position(fix), min(12, fix.satellites), fix.hdop, fix.altitude_m,
        fix.geoid_separation_m))


def gll(fix):
    if not fix.valid:
        return sentence("GNGLL,%s,%s,V,N" % (position(fix) if fix.repeats else ",,,", fix.clock_text))
    return sentence("GNGLL,%s,%s,A,A" % (position(fix), fix.clock_text))


def zda(fix):
    if not fix.date_text:
        return sentence("GNZDA,,,,,00,00")
    return sentence("GNZDA,%s,%02d,%02d,%04d,00,00" % (fix.clock_text, fix.date[2], fix.date[1], fix.date[0]))


def gsa(fix, sky, version):
    """One sentence for each system: which of its satellites are used (at most twelve), and the dilutions."""
    said = b""
    mode = fix.fix_type if fix.valid else 1
    left = fix.satellites if fix.valid else 0
    for system in sky.systems:
        numbers = [satellite.number for satellite in system.satellites][:min(12, left)]
        left -= len(numbers)
        used = ",".join(["%02d" % number for number in numbers] + [""] * (12 - len(numbers)))
        dilutions = "%.2f,%.2f,%.2f" % ((fix.pdop, fix.hdop, fix.vdop) if fix.valid else (99.99, 99.99, 99.99))
        tail = ",%d" % _SYSTEM_IDS[system.talker] if version >= 41 else ""
        said += sentence("GNGSA,A,%d,%s,%s%s" % (mode, used, dilutions, tail))
    return said


def gsv(sky, tracking, version):
    """Satellites in view, four a sentence, system by system. Without tracking: in view, and no signal strength."""
    said = b""
    for system in sky.systems:
        satellites = system.satellites
        tail = ",%d" % _SIGNAL_IDS[system.talker] if version >= 41 else ""
        page_count = (len(satellites) + 3) // 4
        for page in range(page_count):
            body = "%sGSV,%d,%d,%02d" % (system.talker, page_count, page + 1, len(satellites))
            for satellite in satellites[page * 4:page * 4 + 4]:
                body += ",%02d,%02d,%03d,%s" % (satellite.number, satellite.elevation_deg, satellite.azimuth_deg,
                                                "%02d" % satellite.signal_dbhz if tracking else "")
            said += sentence(body + tail)
    return said


def txt(text):
    return sentence("GNTXT,01,01,02," + text)
