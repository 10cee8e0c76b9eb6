import { openPage } from '../../ui/open';
import Page from './Page.svelte';

openPage(Page);
