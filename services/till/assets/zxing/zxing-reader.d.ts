// What of the reader is used.

export function prepareZXingModule(options: { overrides: { locateFile(): string }; fireImmediately: true }): Promise<unknown>;
export function readBarcodes(image: ImageData, options: { formats: string[]; maxNumberOfSymbols: number }): Promise<{ text: string }[]>;
