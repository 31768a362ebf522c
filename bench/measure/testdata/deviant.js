// A CANopen node of the npm module canopen, behind a serial CAN adapter on a pseudo-terminal: node deviant.js FOLDER TERMINAL.
// It is node 5, with a throttle in 2300 that RPDO 1 brings, and a current of 5 A at full throttle in 2101 that TPDO 1 sends.
const Module = require('module');
const load = Module._load;
// The module that computes check sums for block transfer has to be compiled; nothing here uses it.
Module._load = (name, ...rest) => name === 'node-crc' ? { crc: () => Buffer.alloc(2) } : load(name, ...rest);
const fs = require('fs');
const tty = require('tty');
const { Device, Eds, DataType, AccessType } = require(process.argv[2] + '/canopen');

const eds = new Eds();
eds.setIdentity({ vendorId: 0xABC, productCode: 9, revisionNumber: 1, serialNumber: 2 });
eds.setHeartbeatProducerTime(500);
eds.setEmcyCobId(0x85);
eds.addSdoServerParameter(5, 0x585, 0x605);
const object = (index, name, dataType) => eds.addEntry(index, { parameterName: name, dataType, accessType: AccessType.READ_WRITE });
const voltage = object(0x2100, 'Voltage', DataType.UNSIGNED16);
const current = object(0x2101, 'Motor current', DataType.INTEGER16);
const speed = object(0x2102, 'Motor speed', DataType.INTEGER16);
const throttle = object(0x2300, 'Throttle', DataType.INTEGER16);
const limit = object(0x2010, 'Motor current limit', DataType.UNSIGNED16);
voltage.value = 5336; current.value = 0; speed.value = 0; throttle.value = 0; limit.value = 280;
eds.addReceivePdo({ cobId: 0x205, transmissionType: 254, eventTime: 1000, dataObjects: [throttle] });
eds.addTransmitPdo({ cobId: 0x185, transmissionType: 254, eventTime: 20, dataObjects: [voltage, current] });

const device = new Device({ id: 5, eds });
const fd = fs.openSync(process.argv[3], 'r+');
let open = false;
const say = (text) => fs.writeSync(fd, text);
device.addListener('message', ({ id, data }) => {
    if (open)
        say('t' + id.toString(16).padStart(3, '0').toUpperCase() + data.length + Buffer.from(data).toString('hex').toUpperCase() + '\r');
});
const answer = (line) => {
    switch (line[0]) {
    case 'S': case 'X': say('\r'); break;
    case 'O': case 'L': say(open ? '\x07' : '\r'); open = true; break;
    case 'C': say(open ? '\r' : '\x07'); open = false; break;
    case 't': {
        say('\r');
        const data = Buffer.from(line.slice(5), 'hex');
        device.receive({ id: parseInt(line.slice(1, 4), 16), data, len: data.length });
        current.value = Math.trunc(throttle.value / 2); // 10 mA each: 5 A at 1000
        break;
    }
    case undefined: say('\r'); break;
    default: say('\x07'); // no F, no V, no N
    }
};
let rest = '';
const input = new tty.ReadStream(fd);
input.setRawMode(true);
input.on('data', (bytes) => {
    const lines = (rest + bytes.toString('latin1')).split('\r');
    rest = lines.pop();
    for (const line of lines)
        answer(line);
});
device.start();
process.stdout.write('ready\n');
